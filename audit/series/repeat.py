"""Repeats: the same frame taken again, of which one is to be kept."""

from collections.abc import Sequence

from audit.records import FindingCode
from audit.series.found import FoundSeries, listed, named, sharpest_first
from audit.series.framing import Placed
from audit.series.shot import Shot

SAME_ENERGY = 0.03
"""Frames whose energy differs by less are equally sharp: ten times the chance between two frames of
one scene (docs/methods/sharpness.md), since leaves and water change it too (project's choice)."""

LOST: tuple[FindingCode, ...] = ("clipped-highlights", "blocked-shadows", "damaged")
"""Faults for which a sharper repeat is not the better one."""


def repeat(group: Sequence[Placed]) -> FoundSeries:
    """Find the best of several takes, and how much better it is.

    Parameters
    ----------
    group : sequence of Placed
        Frames of one framing, in order of time.

    Returns
    -------
    FoundSeries
        ``best`` is the sharpest frame that lost no light; ``None`` where the energies are unknown.
    """
    shots = tuple(member.shot for member in group)
    order = sharpest_first(shots)
    if (why := _not_comparable(shots)) is not None:
        note = f"Which one is the sharpest cannot be told: {why}."
        return FoundSeries(kind="repeat", shots=shots, order=order, notes=(note,))
    sound = [shot for shot in order if shot.energy is not None and not lost_light(shot)]
    best = sound[0] if sound else order[0]
    order = (best, *(shot for shot in order if shot is not best))
    return FoundSeries(
        kind="repeat",
        shots=shots,
        order=order,
        best=best,
        notes=tuple(_notes(order)),
        spare={shot.place: why_not_best(shot, best) for shot in order[1:]},
    )


def _not_comparable(shots: Sequence[Shot]) -> str | None:
    """Why the energies of some frames say nothing about each other; ``None`` where they do."""
    if all(shot.energy is None for shot in shots):
        return "no detail was measured"
    if len({shot.row.depth for shot in shots}) > 1:
        return "some were measured in full, of others only a first look was taken"
    return None


def lost_light(shot: Shot) -> bool:
    """Whether a frame has a fault that sharpness does not make good."""
    return any(
        each.kind in LOST and each.severity == "fault" and each.excused_by is None
        for each in shot.row.findings
    )


def is_as_sharp(shot: Shot, best: Shot) -> bool:
    """Whether a repeat cannot be told from the best one by its sharpness."""
    if not shot.energy or not best.energy:
        return False
    return shot.energy >= (1 - SAME_ENERGY) * best.energy


def advantage(best: Shot, other: Shot) -> str:
    """How much better the best repeat is, in px of edge width and cm of print where both are known.

    Parameters
    ----------
    best, other : Shot
        Frames of one framing.
    """
    parts = []
    width_px, other_px = best.edge_width_px, other.edge_width_px
    if width_px is not None and other_px is not None and other_px - width_px >= SHOWN_PX:
        parts.append(f"edges {width_px:.1f} px wide against {other_px:.1f} px")
        if best.row.print is not None and other.row.print is not None:
            held_cm, other_cm = best.row.print.long_cm, other.row.print.long_cm
            if held_cm - other_cm >= SHOWN_CM:
                parts.append(f"holds at {held_cm:.0f} cm against {other_cm:.0f} cm")
    if not parts and best.energy and other.energy:
        parts.append(f"{best.energy / other.energy:.2f} times the energy of fine detail")
    return ", ".join(parts)


SHOWN_PX = 0.1
SHOWN_CM = 1.0
"""Edge widths are given in tenths of a pixel, prints in cm; energy tells smaller differences."""


def why_not_best(shot: Shot, best: Shot) -> str:
    """What the best repeat has over another one, as a sentence.

    Parameters
    ----------
    shot, best : Shot
        Frames of one series.
    """
    if shot.energy is not None and best.energy is not None and shot.energy > best.energy:
        return "This frame is sharper, but lost light that the other one holds."
    if is_as_sharp(shot, best):
        return "Both are equally sharp."
    what = advantage(best, shot)
    return f"The best one is sharper: {what}." if what else "It comes first by its sharpness."


def _notes(order: Sequence[Shot]) -> list[str]:
    best, *others = order
    equal = [shot for shot in others if is_as_sharp(shot, best)]
    softer = [shot for shot in others if shot not in equal and shot.energy]
    notes = []
    sharper = [shot for shot in others if (shot.energy or 0) > (best.energy or 0)]
    if sharper:
        names = listed([named(shot) for shot in sharper])
        notes.append(f"{named(best)} goes first: {names} is sharper, but lost light.")
    if equal:
        notes.append(f"As sharp as {named(best)}: {listed([named(shot) for shot in equal])}.")
    if softer:
        notes.append(
            f"{named(best)} is sharper than {named(softer[0])}: {advantage(best, softer[0])}."
        )
    if len(softer) > 1:
        notes.append(f"The softest, {named(softer[-1])}: {advantage(best, softer[-1])}.")
    return notes
