"""What a spot of dust looks like in the small picture from which dust is found."""

from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from audit.series.dust_sheet import SURROUND_PX

EDGE_SOFTNESS = 0.2
"""Of a shadow's edge, in radii: diffraction and the speck's own width (project's choice)."""

REACH_PX = 12
"""Half a side of what is looked at around a spot: its disc and its surroundings."""


def snapped(offset_px: float) -> float:
    """To a twentieth of a pixel, so that candidates share their discs."""
    return round(offset_px * 20) / 20


@lru_cache(maxsize=4096)
def disc_of(diameter_px: float, offset: tuple[float, float] = (0.0, 0.0)) -> NDArray[np.float32]:
    """A spot of depth 1 less its surroundings, as the view of a frame has it."""
    fine = 5
    side = 2 * REACH_PX + 1
    steps = (np.arange(side * fine) + 0.5) / fine - side / 2
    radii = np.hypot((steps - offset[0])[:, None], steps - offset[1]) / (diameter_px / 2)
    shadow = 1 / (1 + np.exp(np.minimum((radii - 1) / EDGE_SOFTNESS, 50)))
    coarse = shadow.reshape(side, fine, side, fine).mean(axis=(1, 3))
    surroundings = scipy.ndimage.uniform_filter(coarse, SURROUND_PX, mode="constant")
    surroundings = scipy.ndimage.uniform_filter(surroundings, SURROUND_PX, mode="constant")
    disc = np.asarray(coarse - surroundings, np.float32)
    disc.setflags(write=False)
    return disc
