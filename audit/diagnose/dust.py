"""Dust that one frame shows: spots that all frames of the body together gave away."""

from collections.abc import Sequence

from audit.diagnose.case import finding
from audit.records import DustSpot, Finding
from audit.settings import Settings

CONFIDENCE = 0.95
"""Share of right spots: a guess. In 60 sets of simulated frames two of some 350 spots were false,
but real sensors were not tried (docs/methods/dust.md)."""


def dust(
    shown: Sequence[tuple[DustSpot, float]], orientation: int, settings: Settings
) -> Finding | None:
    """Note the spots that a frame shows.

    Parameters
    ----------
    shown : sequence of (DustSpot, float)
        Each with its contrast in this frame.
    orientation : int
        Exif Orientation of the frame.
    settings : Settings

    Returns
    -------
    Finding or None
        ``None`` where every spot is fainter than the limit.
    """
    limit = settings.limits.dust_contrast
    strong = sorted(
        (each for each in shown if each[1] >= limit), key=lambda each: each[1], reverse=True
    )
    if not strong:
        return None
    spot, contrast = strong[0]
    x, y = viewed_place(spot.x_share, spot.y_share, orientation)
    more = "" if len(strong) == 1 else f" {len(strong) - 1} more of this body show too."
    return finding(
        "dust",
        "note",
        contrast,
        limit,
        confidence=CONFIDENCE,
        message=(
            f"Sensor dust: a spot {100 * contrast:.1f} % darker than its surroundings lies "
            f"{100 * x:.0f} % from the left and {100 * y:.0f} % from the top as viewed, "
            f"{100 * spot.diameter_share:.1f} % of the stored frame's width across.{more}"
        ),
        advice=(
            "Clone the spot out before printing, and have the sensor cleaned, or clean it as the "
            "camera's maker says."
        ),
    )


def viewed_place(x: float, y: float, orientation: int) -> tuple[float, float]:
    """Place in the frame as it is viewed, from that in the stored one, as shares of its sides.

    Parameters
    ----------
    x, y : float
        From the left and from the top.
    orientation : int
        Exif Orientation, 1 to 8 (CIPA DC-008, tag 0112).
    """
    places = {
        1: (x, y),
        2: (1 - x, y),
        3: (1 - x, 1 - y),
        4: (x, 1 - y),
        5: (y, x),
        6: (1 - y, x),
        7: (1 - y, 1 - x),
        8: (y, 1 - x),
    }
    return places[orientation]
