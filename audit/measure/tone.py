"""Where the light of a frame lies, in stops below saturation."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

LOW, MEDIAN, HIGH = 0.01, 0.50, 0.99
DARKEST_EV = -16.0
"""Below this the level is at or under black: no figure (a 16 bit file ends here)."""


class ToneResult(NamedTuple):
    """Levels in EV below saturation, negative; ``None`` where at or below black."""

    low_ev: float | None
    median_ev: float | None
    high_ev: float | None


def tone(levels: NDArray[np.float32]) -> ToneResult:
    """Find the 1, 50 and 99 % levels of a frame.

    Parameters
    ----------
    levels : (rows, cols) float32 array
        One colour, linear, black 0 and saturation 1; coarse block means serve.

    Returns
    -------
    ToneResult
    """
    found = np.quantile(levels, (LOW, MEDIAN, HIGH))
    return ToneResult(*(_ev(float(level)) for level in found))


def _ev(level: float) -> float | None:
    return None if level <= 2.0**DARKEST_EV else min(0.0, float(np.log2(level)))
