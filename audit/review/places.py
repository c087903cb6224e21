"""The same place in several frames: how each frame of a set lies to its first one.

The joins are those of the series (`audit.series.register`), found on pictures of 256 pixels: a rock
is found again within a fraction of a pixel of these, some ten pixels of a frame of 50 megapixels.
Frames shot by hand differ by parallax besides, which no turn of the camera describes.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from audit.records import AuditedFrame

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from audit.series.framing import Views
    from audit.series.remembered import Kept
    from audit.series.shot import Shot

Turn = tuple[float, ...]
"""Nine numbers, row by row, of the (3, 3) matrix that leads from a place on the first frame to the
same place on this one: (x, y, 1), shares of width and height from the middle, right and down."""

NO_TURN: Turn = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)


def turns_of(
    rows: Sequence[AuditedFrame],
    pictures: "Sequence[Callable[[], NDArray[np.uint8] | None]]",
    digests: Sequence[bytes | None],
    kept: "Kept | None",
    *,
    is_one_framing: bool,
) -> list[Turn | None]:
    """Join the frames of a set.

    Parameters
    ----------
    rows : sequence of AuditedFrame
        In order of time.
    pictures : sequence of callable
        Give the registration pictures.
    digests : sequence of bytes or None
        Stand for these pictures.
    kept : Kept or None
        Where joins of one framing are kept.
    is_one_framing : bool
        Whether the frames are known to look one way; else each is joined to the one before it.

    Returns
    -------
    list of Turn or None
        ``None``: how this frame lies to the first one is not known.
    """
    from audit.series.framing import Views
    from audit.series.shot import Shot

    shots = [
        Shot(place=place, row=row, picture=picture, picture_digest=digest)
        for place, (row, picture, digest) in enumerate(zip(rows, pictures, digests, strict=True))
    ]
    if len(shots) < 2:
        return [NO_TURN] * len(shots)
    views = Views()
    return _one_framing(shots, views, kept) if is_one_framing else _swept(shots, views)


def _one_framing(shots: "list[Shot]", views: "Views", kept: "Kept | None") -> list[Turn | None]:
    from audit.series.remembered import Remembered

    group = Remembered(views, kept).one_framing(shots)
    first = group[0].fields
    return [_turn(each.rotation, each.zoom, first, each.fields) for each in group]


def _swept(shots: "list[Shot]", views: "Views") -> list[Turn | None]:
    """Each frame joined to the one before it; a missing join ends what is known."""
    import numpy as np

    from audit.series.register import join

    first, turn = views.fields(shots[0]), np.eye(3)
    found: list[Turn | None] = [NO_TURN]
    for before, after in pairwise(shots):
        one, two = views.of(before), views.of(after)
        link = None if one is None or two is None else join(one, two)
        if link is None:
            break
        turn = link.rotation @ turn
        found.append(_turn(turn, 1.0, first, views.fields(after)))
    return found + [None] * (len(shots) - len(found))


def _turn(
    rotation: "NDArray[np.float64]",
    zoom: float,
    first: tuple[float, float],
    own: tuple[float, float],
) -> Turn:
    """Matrix of a turn between the shares of two frames, see `audit.series.framing.Placed`."""
    import numpy as np

    ahead = np.array([2 * first[1], 2 * first[0], 1.0])
    back = np.array([zoom / (2 * own[1]), zoom / (2 * own[0]), 1.0])
    return tuple(float(value) for value in (back[:, None] * rotation * ahead).ravel())
