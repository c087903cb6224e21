"""A worker's part of a look at 1:1: the original is opened, decoded once, and cut into tiles.

Frames that were decoded stay in the worker until their pixels pass a bound, so that only the first
tile of a frame costs its decoding.
"""

import os
import stat
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from audit.errors import FrameError
from audit.records import Record

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from audit.decode import Decoded

TILE_PX = 512
"""Side of a tile: some 100 kB as JPEG, six of them fill a view (project's choice)."""

HELD_BYTES = 700_000_000
"""Decoded pixels that a worker keeps: four frames of 50 megapixels (project's choice)."""

PLACES_GRID = 48
"""Cells along the long side in which clipped places are looked for (project's choice)."""

HATCH_PX, HATCH_LINE_PX = 8, 3
"""Step and width of the lines drawn over what is lost in some colours; lost in all is filled."""

LOST_COLOUR = (178, 70, 214)
"""Violet: rare in a landscape's lights (project's choice)."""


class TileOrder(Record, frozen=True, kw_only=True):
    """What a worker is to cut from which file."""

    path: bytes
    name: str
    format: str
    size_bytes: int
    mtime_ns: int
    largest_px: int
    saturation_dn: tuple[float | None, float | None, float | None]
    want: Literal["tile", "clipped-places"]
    row: int = 0
    col: int = 0
    brightened_ev: float = 0.0
    marks_lost: bool = False


class ClippedPlaces(Record, frozen=True, kw_only=True):
    """Where light is lost, on a grid over the viewed frame."""

    rows: int
    cols: int
    cells: tuple[tuple[int, int, float], ...]
    """Row, column, share of the cell's pixels that are lost in any colour."""
    places: tuple[tuple[int, int, float], ...]
    """One for each run of cells that touch, most lost first: its cell that lies nearest to the
    middle of what is lost there, and the share of the frame's pixels."""


class NoTile(Record, frozen=True, kw_only=True):
    """Why there is none."""

    message: str


_held: "OrderedDict[tuple[bytes, int, int], Decoded]" = OrderedDict()


def load() -> None:
    """Load what cutting needs."""
    import audit.decode.screen_picture
    import audit.pictures  # noqa: F401


def cut(order: TileOrder) -> bytes | ClippedPlaces | NoTile:
    """Job of a worker."""
    try:
        decoded = _decoded(order)
    except FrameError as error:
        return NoTile(message=str(error))
    except OSError as error:
        return NoTile(message=f"{order.name}: cannot be read: {error.strerror}")
    if order.want == "clipped-places":
        return _clipped_places(decoded, order)
    return _tile(decoded, order)


def _decoded(order: TileOrder) -> "Decoded":
    from audit.decode import open_frame

    key = (order.path, order.size_bytes, order.mtime_ns)
    if key not in _held:
        data = _content(order)
        _held[key] = open_frame(
            data, name=order.name, format=order.format, max_pixels=order.largest_px
        )
        while len(_held) > 1 and sum(map(_size_bytes, _held.values())) > HELD_BYTES:
            _held.popitem(last=False)
    _held.move_to_end(key)
    return _held[key]


def _content(order: TileOrder) -> bytes:
    """Read the file, if it is still the one that was measured and no link leads to it.

    Raises
    ------
    FrameError
        If it is not.
    OSError
    """
    path = Path(os.fsdecode(order.path))
    if os.path.realpath(path) != str(path):
        raise FrameError(f"{order.name}: expected the file that was measured, found a link")
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    descriptor = os.open(path, flags | getattr(os, "O_NONBLOCK", 0))
    with open(descriptor, "rb") as file:  # noqa: PTH123
        found = os.fstat(descriptor)
        is_same = (found.st_size, found.st_mtime_ns) == (order.size_bytes, order.mtime_ns)
        if not stat.S_ISREG(found.st_mode) or not is_same:
            raise FrameError(f"{order.name}: expected the file that was measured, found another")
        return file.read()


def _size_bytes(decoded: "Decoded") -> int:
    return int(_plane(decoded).nbytes)


def _plane(decoded: "Decoded") -> "NDArray[np.generic]":
    from audit.decode import Mosaic

    pixels = decoded.pixels
    return pixels.samples if isinstance(pixels, Mosaic) else pixels.codes


def _tile(decoded: "Decoded", order: TileOrder) -> bytes | NoTile:
    from audit.decode.screen_picture import jpeg
    from audit.measure.orientation import stored_box_px, viewed
    from audit.pictures import cut_codes

    orientation = decoded.exposure.orientation
    shape = _viewed_shape(decoded)
    top, left = order.row * TILE_PX, order.col * TILE_PX
    if top >= shape[0] or left >= shape[1]:
        return NoTile(message=f"{order.name}: expected a tile inside the frame")
    box = (top, left, min(TILE_PX, shape[0] - top), min(TILE_PX, shape[1] - left))
    row, col, rows, cols = stored_box_px(box, shape, orientation)
    corner, size = (row, col), (rows, cols)
    codes = cut_codes(decoded.pixels, corner, size, order.saturation_dn, order.brightened_ev)
    if order.marks_lost:
        codes = _hatched(codes, _lost(decoded, order, corner, size), corner)
    return jpeg(viewed(codes, orientation))


def _viewed_shape(decoded: "Decoded") -> tuple[int, int]:
    from audit.measure.orientation import TRANSPOSED

    rows, cols = _plane(decoded).shape[:2]
    return (cols, rows) if decoded.exposure.orientation in TRANSPOSED else (rows, cols)


def _lost(
    decoded: "Decoded", order: TileOrder, corner: tuple[int, int], size: tuple[int, int]
) -> "NDArray[np.uint8]":
    """Mark what is lost in a part of the stored frame."""
    from audit.decode import Mosaic
    from audit.measure.clipped_places import lost_of_developed, lost_of_mosaic

    pixels, (row, col) = decoded.pixels, corner
    part = (slice(row, row + size[0]), slice(col, col + size[1]))
    if not isinstance(pixels, Mosaic):
        return lost_of_developed(pixels.codes[part], pixels.curve)
    nominal = float((pixels.white_dn - pixels.black_dn).max())
    red, green, blue = (level or nominal for level in order.saturation_dn)
    levels = (pixels.pattern, pixels.black_dn, (red, green, blue))
    return lost_of_mosaic(pixels.samples[part], *levels, corner)


def _hatched(
    codes: "NDArray[np.uint8]", lost: "NDArray[np.uint8]", corner: tuple[int, int]
) -> "NDArray[np.uint8]":
    import numpy as np

    from audit.measure.clipped_places import ALL_LOST, SOME_LOST

    shown = np.stack([codes] * 3, axis=-1) if codes.ndim == 2 else codes.copy()
    rows, cols = np.ogrid[: shown.shape[0], : shown.shape[1]]
    lines = (rows + corner[0] + cols + corner[1]) % HATCH_PX < HATCH_LINE_PX
    shown[(lost == ALL_LOST) | ((lost == SOME_LOST) & lines)] = LOST_COLOUR
    return shown


def _clipped_places(decoded: "Decoded", order: TileOrder) -> ClippedPlaces:
    import numpy as np

    from audit.measure.orientation import viewed

    rows, cols = _plane(decoded).shape[:2]
    side = max(1, -(-max(rows, cols) // PLACES_GRID))
    counts = np.zeros((-(-rows // side), -(-cols // side)))
    for at in range(counts.shape[0]):
        band = _lost(decoded, order, (at * side, 0), (side, cols)) > 0
        starts = np.arange(0, cols, side)
        counts[at] = np.add.reduceat(band.sum(axis=0), starts) / (band.shape[0] * side)
    shares = viewed(counts, decoded.exposure.orientation)
    cells = {
        (int(row), int(col)): round(float(shares[row, col]), 5) for row, col in np.argwhere(shares)
    }
    return ClippedPlaces(
        rows=shares.shape[0],
        cols=shares.shape[1],
        cells=tuple((row, col, share) for (row, col), share in cells.items()),
        places=_places(cells, side * side / (rows * cols)),
    )


def _places(
    cells: dict[tuple[int, int], float], cell_share: float
) -> tuple[tuple[int, int, float], ...]:
    """Bring cells that touch together: a bright sky is one place to look at, not hundreds."""
    left = dict(cells)
    found = []
    while left:
        run = _run_from(next(iter(left)), left)
        lost = sum(run.values())
        middle = [sum(at[axis] * share for at, share in run.items()) / lost for axis in (0, 1)]
        row, col = min(run, key=lambda at: (at[0] - middle[0]) ** 2 + (at[1] - middle[1]) ** 2)
        found.append((row, col, round(lost * cell_share, 7)))
    return tuple(sorted(found, key=lambda place: (-place[2], place[0], place[1])))


def _run_from(
    start: tuple[int, int], left: dict[tuple[int, int], float]
) -> dict[tuple[int, int], float]:
    """Take a cell and all that touch it, corners included, out of those that are left."""
    run = {start: left.pop(start)}
    waiting = [start]
    while waiting:
        row, col = waiting.pop()
        for near in [(row + down, col + right) for down in (-1, 0, 1) for right in (-1, 0, 1)]:
            if near in left:
                run[near] = left.pop(near)
                waiting.append(near)
    return run
