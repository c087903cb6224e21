"""The cautions that a plan's subjects call for; ``docs/field-safety.md`` says more."""

from collections.abc import Iterator

from audit.plan_records import Asked, Caution, Subject

LONG_LENS_35MM_MM = 100.0
"""Focal length, 35 mm equivalent, from which the sun through the lens is warned of. It harms
through shorter ones as well; sunrise is framed with long ones (project's choice)."""

CAUTIONS: dict[Subject, str] = {
    "general": (
        "No frame is worth a fall. Keep back from edges; set the tripod down, then stand still. "
        "Local rules, closures, wardens and trained people come first. If in doubt, turn back."
    ),
    "water": (
        "Ground by waterfalls and on wet rock or algae is slippery; keep away from the lip. Rivers "
        "rise after rain far away. By the sea know the tide and your way out, and never turn your "
        "back on the waves."
    ),
    "night": (
        "Alone and at night: tell somebody where you are and when you will be back. Look at the "
        "ground and the way back in daylight; carry two lamps and warm clothes, for waiting cools."
    ),
    "long-lens": (
        "Never look at the sun through a long lens and an optical finder: it burns the eye at once "
        "and without pain. Use live view and a filter made for the sun; cap the lens in between."
    ),
    "panorama": (
        "Turn the camera, not your feet: look round before you sweep, and never step back or aside "
        "with your eye at the finder."
    ),
}


def cautions_for(asked: Asked, focal_35mm_mm: float) -> tuple[Caution, ...]:
    """Choose the cautions: the general one, and those of the subjects.

    Parameters
    ----------
    asked : Asked
    focal_35mm_mm : float
        Focal length, 35 mm equivalent.

    Returns
    -------
    tuple of Caution
    """
    return tuple(
        Caution(subject=subject, text=CAUTIONS[subject])
        for subject in _subjects(asked, focal_35mm_mm)
    )


def _subjects(asked: Asked, focal_35mm_mm: float) -> Iterator[Subject]:
    yield "general"
    if asked.water is not None:
        yield "water"
    if asked.stars is not None:
        yield "night"
    if focal_35mm_mm >= LONG_LENS_35MM_MM:
        yield "long-lens"
    if asked.panorama is not None:
        yield "panorama"
