"""Dust by body: how many spots, how dark, in how many frames."""

from collections.abc import Iterator, Sequence

from audit.records import DustSpot
from audit.trip_records import TripStatement

CONFIDENCE = 0.95
"""A set of frames bears 0.05 false spots (measured: docs/methods/dust.md)."""


def dust_told(spots: Sequence[DustSpot]) -> Iterator[TripStatement]:
    """Sum up the spots of each body in one sentence.

    Parameters
    ----------
    spots : sequence of DustSpot

    Yields
    ------
    TripStatement
    """
    for body in sorted({spot.body for spot in spots}):
        own = [spot for spot in spots if spot.body == body]
        darkest = max(own, key=lambda spot: spot.contrast)
        files = {file for spot in own for file in spot.files}
        frames = len(files) or max(spot.frames for spot in own)
        many = "spots" if len(own) > 1 else "spot"
        at = "" if darkest.aperture_n is None else f" at f/{darkest.aperture_n:g}"
        yield TripStatement(
            question="dust",
            subject=body,
            message=(
                f"The sensor of {body} bears {len(own)} {many} of dust, seen in {frames} frames; "
                f"the darkest takes {100 * darkest.contrast:.0f} % of the light{at}, "
                f"{100 * darkest.x_share:.0f} % from the left and {100 * darkest.y_share:.0f} % "
                "from the top of the stored frame."
            ),
            advice="Clean the sensor before the next hike; until then a wide aperture hides most.",
            value=float(len(own)),
            unit="spots",
            frames=frames,
            scenes=max(spot.frames for spot in own),
            confidence=CONFIDENCE,
            is_habit=True,
        )
