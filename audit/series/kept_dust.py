"""Dust of one body after the other, kept between runs under all that it rests on."""

from collections.abc import Callable, Hashable, Sequence
from functools import partial

import msgspec
import numpy as np
from numpy.typing import NDArray

from audit.records import AuditedFrame, DustSpot
from audit.series.dust import Dust, SpotInFrame, find_dust
from audit.series.remembered import Kept

View = Callable[[int], NDArray[np.uint8] | None]

_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgspec.msgpack.Decoder(Dust)


def kept_dust(
    frames: Sequence[AuditedFrame],
    independent_of: Sequence[Hashable],
    digests: Sequence[bytes | None],
    view_of: View,
    kept: Kept,
) -> Dust:
    """Find dust like `find_dust`, or remember it.

    Parameters
    ----------
    frames, independent_of, view_of
        As for `find_dust`.
    digests : sequence of bytes or None
        One entry a frame: stands for its ``sensor`` picture, ``None`` where it has none.
    kept : Kept

    Returns
    -------
    Dust
        The same as that of `find_dust`.
    """
    spots: list[DustSpot] = []
    shown: list[tuple[SpotInFrame, ...]] = [()] * len(frames)
    for places in _bodies(frames):
        found = _of_body(
            [_bare(frames[place]) for place in places],
            _numbered([independent_of[place] for place in places]),
            [digests[place] for place in places],
            partial(_view_at, view_of, places),
            kept,
        )
        for place, seen in zip(places, found.shown, strict=True):
            shown[place] = tuple(each._replace(spot=each.spot + len(spots)) for each in seen)
        spots.extend(found.spots)
    return Dust(tuple(spots), tuple(shown))


def _view_at(view_of: View, places: Sequence[int], at: int) -> NDArray[np.uint8] | None:
    return view_of(places[at])


def _of_body(
    frames: Sequence[AuditedFrame],
    framings: Sequence[int],
    digests: Sequence[bytes | None],
    view_of: View,
    kept: Kept,
) -> Dust:
    inputs = _ENCODER.encode((frames, framings, digests))
    value = kept.found("dust", inputs)
    if value is not None:
        return _DECODER.decode(value)
    surprises: list[int] = []

    def looked_at(at: int) -> NDArray[np.uint8] | None:
        sheet = view_of(at)
        if (sheet is None) != (digests[at] is None):
            surprises.append(at)
        return sheet

    found = find_dust(frames, framings, looked_at)
    if not surprises:
        kept.keep("dust", inputs, _ENCODER.encode(found))
    return found


def _bodies(frames: Sequence[AuditedFrame]) -> list[list[int]]:
    """Places of the frames of each body and size: none tells anything of another one's dust."""
    bodies: dict[tuple[object, ...], list[int]] = {}
    for place, frame in enumerate(frames):
        read, sensor = frame.exposure, frame.sensor
        body = None if read is None else (read.make, read.model, read.body_serial)
        size_px = None if sensor is None else (sensor.width_px, sensor.height_px)
        bodies.setdefault((body, size_px), []).append(place)
    return list(bodies.values())


def _bare(frame: AuditedFrame) -> AuditedFrame:
    """Row with what dust may depend on, and nothing else."""
    return AuditedFrame(
        file=frame.file,
        companions=(),
        format=frame.format,
        state="measured",
        error=None,
        exposure=frame.exposure,
        sensor=frame.sensor,
        verdict="look-again",
        rank=None,
    )


def _numbered(labels: Sequence[Hashable]) -> list[int]:
    """Labels as numbers from 0, in the order of their first coming."""
    numbers: dict[Hashable, int] = {}
    return [numbers.setdefault(label, len(numbers)) for label in labels]
