"""Mid-tone noise of each body against ISO, held against the chosen print (ISO 12232)."""

from collections.abc import Iterator, Mapping, Sequence
from statistics import median

from audit.optics.exposure import iso_thirds
from audit.optics.printing import inch_from_cm, needed_snr
from audit.records import UsedSettings
from audit.trip.statistics import FALSE_ALARM, above_p, confidence_of, is_sure
from audit.trip.taken import Taken, grouped, scene_count, scene_medians
from audit.trip_records import NoiseRow, TripStatement

LEAST_SCENES = 3
"""Scenes at one ISO before it has a row (project's choice); a statement needs seven by its test."""


def noise_rows(shots: Sequence[Taken], settings: UsedSettings) -> list[NoiseRow]:
    """Signal-to-noise ratio by body and ISO; what the print asks for beside it."""
    rows = []
    for (body, _), members in sorted(_by_iso(shots, settings).items()):
        ratios = _ratios(members)
        if len(ratios) < LEAST_SCENES:
            continue
        clean, acceptable = (
            median(_needed(shot, settings, name) or 0.0 for shot in members)
            for name in ("snr_excellent", "snr_acceptable")
        )
        rows.append(
            NoiseRow(
                body=body,
                iso=median(shot.exposure.iso or 0.0 for shot in members),
                frames=len(members),
                scenes=scene_count(members),
                snr=median(ratios),
                clean_snr=clean,
                acceptable_snr=acceptable,
            )
        )
    return rows


def noise_told(shots: Sequence[Taken], settings: UsedSettings) -> Iterator[TripStatement]:
    """Tell up to which ISO mid-tones look clean at the print, and from which they do not.

    Parameters
    ----------
    shots : sequence of Taken
    settings : UsedSettings

    Yields
    ------
    TripStatement
        At most two a body.
    """
    by_iso = _by_iso(shots, settings)
    for body in sorted({body for body, _ in by_iso}):
        own = {step: members for (of, step), members in by_iso.items() if of == body}
        clean = {step for step in own if _is_above(own[step], settings, 1, len(own))}
        noisy = {step for step in own if _is_above(own[step], settings, -1, len(own))}
        # Above a noisy step a clean one would be another processing, not another noise.
        clean_below = [step for step in clean if step < min(noisy, default=step + 1)]
        if clean_below:
            yield _statement(body, own, max(clean_below), settings, is_clean=True)
        if noisy:
            yield _statement(body, own, min(noisy), settings, is_clean=False)


def _by_iso(shots: Sequence[Taken], settings: UsedSettings) -> dict[tuple[str, int], list[Taken]]:
    def key(shot: Taken) -> tuple[str, int] | None:
        if not shot.exposure.iso or _needed(shot, settings, "snr_excellent") is None:
            return None
        sensor = shot.row.sensor
        if shot.snr is None or sensor is None:
            return None
        return f"{shot.body} ({sensor.basis})", iso_thirds(shot.exposure.iso)

    return grouped(shots, key)


def _needed(shot: Taken, settings: UsedSettings, name: str) -> float | None:
    """Ratio that the frame's own target print asks for, like the rule of a single frame."""
    sensor, size, iso_snr = shot.row.sensor, shot.row.print, settings.limits.get(name)
    if sensor is None or size is None or not isinstance(iso_snr, float):
        return None
    px_per_cm = max(sensor.width_px, sensor.height_px) / size.target_long_cm
    return needed_snr(iso_snr, px_per_cm, settings.viewing_cm)


def _ratios(shots: Sequence[Taken]) -> tuple[float, ...]:
    return scene_medians(shots, lambda shot: shot.snr)


def _is_above(shots: Sequence[Taken], settings: UsedSettings, sign: int, looks: int) -> bool:
    """Whether the ratio surely lies above (1) or below (-1) what a clean print asks for."""
    return is_sure(_p(shots, settings, sign), looks)


def _p(shots: Sequence[Taken], settings: UsedSettings, sign: int) -> float:
    def over(shot: Taken) -> float | None:
        needed = _needed(shot, settings, "snr_excellent")
        return None if needed is None or shot.snr is None else sign * (shot.snr - needed)

    margins = scene_medians(shots, over)
    return above_p(margins, 0.0) if margins else 1.0


def lengths(length_cm: float) -> str:
    """Give a length in cm and inches."""
    return f"{length_cm:.0f} cm ({inch_from_cm(length_cm):.0f} in)"


def _statement(
    body: str,
    own: Mapping[int, list[Taken]],
    step: int,
    settings: UsedSettings,
    *,
    is_clean: bool,
) -> TripStatement:
    shots = own[step]
    ratios = _ratios(shots)
    needed = median(_needed(shot, settings, "snr_excellent") or 0.0 for shot in shots)
    long_cm = median(shot.row.print.target_long_cm for shot in shots if shot.row.print is not None)
    iso = median(shot.exposure.iso or 0.0 for shot in shots)
    looks = (
        f"up to ISO {iso:g} mid-tones look clean"
        if is_clean
        else f"at ISO {iso:g} mid-tones are noisy"
    )
    return TripStatement(
        question="noise",
        subject=body,
        message=(
            f"With {body} {looks} in a print {lengths(long_cm)} long seen from "
            f"{lengths(settings.viewing_cm)}: signal over noise is {median(ratios):.0f} over "
            f"{len(ratios)} scenes, and {needed:.0f} is asked for."
        ),
        advice=""
        if is_clean
        else "On a tripod use a lower ISO and a longer time, or average frames.",
        value=median(ratios),
        unit="ratio",
        low=min(ratios),
        high=max(ratios),
        frames=len(shots),
        scenes=len(ratios),
        confidence=max(
            1 - FALSE_ALARM, confidence_of(_p(shots, settings, 1 if is_clean else -1), len(own))
        ),
        is_habit=False,
    )
