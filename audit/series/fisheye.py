"""Frames of a fisheye lens that follow each other like a sweep: not joined, and told of.

Joining rests on the pinhole. A fisheye bends straight lines by design; its frames fit nowhere.
"""

from collections.abc import Sequence
from itertools import pairwise

from audit.records import Exposure
from audit.series.framing import Group, idle_s
from audit.series.sweep import PAIR_IDLE_S, middle_of, same_settings
from audit.series.timeline import start_times_s

FISHEYE_WORDS = ("fisheye", "fish-eye", "fish eye")
"""In the lens's name: the trade's word. The focal length proves nothing, for there are rectilinear
lenses as short (from memory)."""

LEAST_POSITIONS = 3
"""Two frames may as well be two pictures (project's choice)."""


def is_fisheye(exposure: Exposure) -> bool:
    """Whether the camera wrote the name of a fisheye lens (Exif LensModel)."""
    lens = (exposure.lens or "").casefold()
    return any(word in lens for word in FISHEYE_WORDS)


def fisheye_runs(groups: Sequence[Group]) -> list[list[Group]]:
    """Find positions through a fisheye that follow each other as those of a sweep do.

    Parameters
    ----------
    groups : sequence of tuple of Placed
        Groups of one framing that belong to no sweep, in order of time.

    Returns
    -------
    list of list of Group
        Three and more each: shortly after one another, with the settings held.
    """
    starts = start_times_s([member.shot for group in groups for member in group])
    runs: list[list[Group]] = []
    for before, after in pairwise(groups):
        if not _goes_on(before, after, starts):
            continue
        if runs and runs[-1][-1] is before:
            runs[-1].append(after)
        else:
            runs.append([before, after])
    return [run for run in runs if len(run) >= LEAST_POSITIONS]


def fisheye_note(positions: Sequence[Group]) -> str:
    """Say why such frames were not joined."""
    lens = positions[0][0].shot.exposure.lens
    return (
        f"{len(positions)} positions that follow each other like a sweep, through a fisheye lens "
        f"({lens}): they cannot be joined, for joining here is made for rectilinear lenses. "
        "Overlaps and gaps were not looked at."
    )


def _goes_on(before: Group, after: Group, starts: dict[int, float]) -> bool:
    one, two = middle_of(before), middle_of(after)
    if not (is_fisheye(one.exposure) and is_fisheye(two.exposure)) or one.size_px != two.size_px:
        return False
    idle = idle_s(before[-1].shot, after[0].shot, starts)
    return idle is not None and idle <= PAIR_IDLE_S and same_settings(one, two)
