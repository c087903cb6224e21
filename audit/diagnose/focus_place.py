"""Where in the picture the plane of focus lies, as far as the map of edge widths tells."""

import math
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

from audit.records import SharpnessMap

CLEARLY_SHARPER = 1.25
"""Ratio of edge widths from which one third of a frame counts as the sharpest: the scatter of a
tile's width on a frame that is sharp all over is about 1.2 (measured on trial frames)."""

LEAST_TILES = 2
"""Measured tiles that a third needs."""


class FocusPlace(NamedTuple):
    """A third of the frame that is sharper than the other two.

    Attributes
    ----------
    words : str
        Where it lies, to follow "the sharpest edges lie".
    advice : str
        Which way the focus should go.
    ratio : float
        Edge width of the next sharpest third over that of this one.
    """

    words: str
    advice: str
    ratio: float


ROWS = (
    ("in the upper third, where a far ridge would be", "Focus nearer"),
    ("in the middle third", "Focus on the near ground or the far ridge, whichever matters"),
    ("in the lower third, the near ground", "Focus farther away"),
)
COLUMNS = (
    ("on the left side", "Focus on what matters on the right"),
    ("in the middle of the frame", "Focus on what matters at the sides"),
    ("on the right side", "Focus on what matters on the left"),
)


def focus_place(tiles: SharpnessMap | None) -> FocusPlace | None:
    """Name the sharpest third of a frame, if one is clearly sharper than the other two.

    Parameters
    ----------
    tiles : SharpnessMap or None
        Viewed orientation, so that below is near, as in most landscapes.

    Returns
    -------
    FocusPlace or None
        The clearer one of both axes; ``None`` where no third stands out or too few tiles are known.
    """
    if tiles is None:
        return None
    by_row = tiles.edge_width_px
    by_col = tuple(zip(*by_row, strict=True))
    found = [
        place
        for lines, names in ((by_row, ROWS), (by_col, COLUMNS))
        if (place := _sharpest_third(lines, names)) is not None
    ]
    return max(found, key=lambda place: place.ratio, default=None)


def _sharpest_third(
    lines: Sequence[Sequence[float | None]], names: Sequence[tuple[str, str]]
) -> FocusPlace | None:
    count = len(lines)
    thirds: list[list[float]] = [[], [], []]
    for index, line in enumerate(lines):
        thirds[min(3 * index // count, 2)] += [
            math.log(width) for width in line if width is not None
        ]
    if any(len(third) < LEAST_TILES for third in thirds):
        return None
    levels = [median(third) for third in thirds]
    order = sorted(range(3), key=levels.__getitem__)
    ratio = math.exp(levels[order[1]] - levels[order[0]])
    if ratio < CLEARLY_SHARPER:
        return None
    words, advice = names[order[0]]
    return FocusPlace(words, advice, ratio)
