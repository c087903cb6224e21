"""What is lost at both ends of the light, noise at the print, and haze."""

from collections.abc import Iterator

from audit.diagnose.case import Case, finding
from audit.optics.printing import needed_snr
from audit.records import Finding


def clipped_highlights(case: Case) -> Iterator[Finding]:
    """Tell of highlights that are lost: a fault when lost in every colour."""
    shares, limits = case.reading.clipping.highlight_share, case.settings.limits
    lost = shares.all >= limits.lost_highlight_share
    if not lost and shares.any < limits.clipped_highlight_share:
        return
    where = "in the raw samples" if case.reading.clipping.basis == "raw" else "in this file"
    recovery = (
        f"{percent(shares.all)} in all three colours, beyond recovery"
        if lost
        else f"only {percent(shares.all)} in all three colours, so some can be recovered"
    )
    yield finding(
        "clipped-highlights",
        "fault" if lost else "warn",
        shares.all if lost else shares.any,
        limits.lost_highlight_share if lost else limits.clipped_highlight_share,
        confidence=0.95 if case.reading.clipping.basis == "raw" else 0.7,
        message=f"{percent(shares.any)} of the highlights are clipped {where}: {recovery}.",
        advice="Expose less, or bracket, where the highlights carry detail.",
    )


def blocked_shadows(case: Case) -> Iterator[Finding]:
    """Tell of shadows that lie at or below the noise floor."""
    share, limits = case.reading.clipping.shadow_share.any, case.settings.limits
    if share < limits.blocked_shadow_share:
        return
    lost = share >= limits.lost_shadow_share
    yield finding(
        "blocked-shadows",
        "fault" if lost else "warn",
        share,
        limits.lost_shadow_share if lost else limits.blocked_shadow_share,
        confidence=0.9 if case.reading.clipping.basis == "raw" else 0.7,
        message=f"{percent(share)} of the frame lies at or below the noise floor: no detail there.",
        advice="Expose more for the shadows, or bracket and keep a brighter frame.",
    )


def noise(case: Case) -> Iterator[Finding]:
    """Compare the mid-tone signal-to-noise ratio with what the target print asks for."""
    snr, limits = case.reading.noise.snr_midtone, case.settings.limits
    if snr is None:
        return
    print_px_per_cm = case.long_px / case.target.long_cm
    viewing_cm = case.settings.viewing_cm
    excellent = needed_snr(limits.snr_excellent, print_px_per_cm, viewing_cm)
    acceptable = needed_snr(limits.snr_acceptable, print_px_per_cm, viewing_cm)
    if snr >= excellent:
        return
    poor = snr < acceptable
    yield finding(
        "noise",
        "warn" if poor else "note",
        snr,
        acceptable if poor else excellent,
        confidence=0.8 if case.sensor.basis == "raw" else 0.5,
        message=(
            f"Mid-tones have a signal-to-noise ratio of {snr:.1f}; a {case.target.long_cm:.0f} cm "
            f"print seen from {viewing_cm:.0f} cm looks clean from {excellent:.1f} "
            f"and acceptable from {acceptable:.1f}."
        ),
        advice="On a tripod use the lowest ISO and a longer time, or average several frames.",
    )


def haze(case: Case) -> Iterator[Finding]:
    """Tell of low contrast with intact edges: the air, not the lens."""
    tone, width_px = case.reading.tone, case.reading.sharpness.edge_width_px
    if tone.low_ev is None or tone.high_ev is None or width_px is None:
        return
    range_ev = tone.high_ev - tone.low_ev
    limits = case.settings.limits
    if range_ev >= limits.haze_range_ev or width_px > limits.at_limit_ratio * case.expected_px:
        return
    yield finding(
        "haze",
        "note",
        range_ev,
        limits.haze_range_ev,
        confidence=0.5,
        message=(
            f"The light spans only {range_ev:.1f} EV while the edges are intact: "
            "haze or mist, not the lens."
        ),
        advice="Nothing is lost: contrast can be raised; or wait for clearer air.",
    )


def no_edges(case: Case) -> Iterator[Finding]:
    """Say that sharpness cannot be told, instead of guessing it."""
    sharpness = case.reading.sharpness
    if sharpness.measurable:
        return
    yield finding(
        "no-edges",
        "warn",
        float(sharpness.edges),
        None,
        confidence=0.9,
        message=f"Sharpness cannot be told: {sharpness.reason or 'too few edges'}.",
        advice="Judge it by eye at 1:1; frames of the same place with edges can stand for it.",
    )


def percent(share: float) -> str:
    """A share in per cent that never rounds into a lie: 0 and 100 only when exact."""
    if share in (0.0, 1.0):
        return f"{share:.0%}"
    if share < 0.001:
        return "under 0.1 %"
    if share > 0.999:
        return "over 99.9 %"
    return f"{100 * share:.1f} %"
