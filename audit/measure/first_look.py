"""What a reduced picture tells of the width of edges: a bound from above, in native pixels.

A picture with half the rows and columns holds no detail over 0.25 cycles per native pixel. Its own
sampling widens every edge, alike for all widths (measured), so that the square of it is taken off;
what is left below a floor is mostly error. A wide reading proves no softness: small crisp things
vanish by reduction, and what stays may be soft in itself (seen on held-out scenes).
"""

import math

from audit.measure.sharpness_map import Effort, SharpnessResult

FIRST_LOOK_EFFORT = Effort(candidates=384, enough=30, screen_samples=800_000)
"""A sixth of the candidates of a full measurement in each batch (project's choice: the cost); with
a single batch 35 of 190 small frames had too few edges, with these 2 (measured)."""

NOISE_BLOCKS = 5_000
"""A quarter of those of a full measurement (project's choice: the cost)."""

REDUCED_PX2 = 1.3
"""What reduction adds to the square of the 10-90 % width, in pixels of the reduced picture:
measured on 190 simulated JPEG files of five scenes with known blur (``docs/first-look.md``)."""

FLOOR_PX = 1.45
"""Narrower edges, in pixels of the reduced picture, cannot be told apart (measured likewise)."""

UPPER_FACTOR = 1.30
"""Over the reading: the true width is less 98 times of 100 (measured on held-out scenes)."""


def widest_px(found: SharpnessResult, scale: float) -> float | None:
    """Width in native pixels that the sharpest edges of the full-size picture do not exceed.

    Parameters
    ----------
    found : SharpnessResult
        Of the reduced picture, in its own pixels.
    scale : float
        Native pixels for one of them.

    Returns
    -------
    float or None
        ``None`` where there were too few edges.
    """
    if found.edge_width_px is None or found.edge_width_high_px is None:
        return None
    own_factor = found.edge_width_high_px / found.edge_width_px
    factor = math.exp(math.hypot(math.log(own_factor), math.log(UPPER_FACTOR)))
    reduced_px = math.sqrt(max(found.edge_width_px**2 - REDUCED_PX2, 0.0))
    return max(reduced_px, FLOOR_PX) * scale * factor
