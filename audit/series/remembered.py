"""How the frames of one body lie to each other, and what sweeps are worth, kept between runs.

Registering pictures is most of the work of a run over stored readings, and its result depends on
the pictures and on what the camera wrote alone: no limit enters. So a body's frames are cut at
pauses over which nothing reaches, and what was found of each stretch is kept under all that it
rests on. A frame that is new or changed costs the stretch in which it lies.

The audit of a sweep is kept under its layout, its rows and the settings: a changed limit costs it
anew, but no registration.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple, Protocol

import msgspec
import numpy as np
from numpy.typing import NDArray

from audit.records import AuditedFrame, Exposure, Panorama, Sensor
from audit.series import framing, sweep
from audit.series.framing import Group, Placed, Views, groups, idle_s, placed_anyway
from audit.series.panorama import panorama_of
from audit.series.shot import Picture, Shot
from audit.series.sweep import Sweep, sweeps
from audit.series.timeline import start_times_s
from audit.settings import Bounds, Settings

REACH_S = max(framing.LONGEST_IDLE_S, sweep.LONGEST_IDLE_S)
"""A longer pause ends every group and every sweep."""


class Kept(Protocol):
    """Whoever keeps what was derived, between runs.

    ``name`` says what was derived, ``inputs`` is all that it depends on; a change of this program
    is the keeper's business.
    """

    def found(self, name: str, inputs: bytes) -> bytes | None:
        """What was kept; ``None`` if nothing."""

    def keep(self, name: str, inputs: bytes, value: bytes) -> None:
        """Keep a value."""


class Layout(NamedTuple):
    """A stretch of one body's frames: in groups of one framing, and the sweeps among these."""

    groups: list[Group]
    sweeps: list[Sweep]


class Remembered:
    """Finds how frames lie to each other and what a sweep is worth, or remembers it.

    Parameters
    ----------
    views : Views
    kept : Kept or None
        ``None``: everything is found anew.

    Notes
    -----
    What is found goes through its kept form even where it is new, so that a first run and a second
    one go on with the same.
    """

    def __init__(self, views: Views, kept: Kept | None) -> None:
        self._views = views
        self._kept = kept
        self._unlike: set[int] = set()
        """Frames whose picture was missing though it has a digest, or the other way round."""

    def layouts(self, stream: Sequence[Shot]) -> Iterator[Layout]:
        """Lay out one body's frames.

        Parameters
        ----------
        stream : sequence of Shot
            In order of time.

        Yields
        ------
        Layout
            One a stretch, in order of time.
        """
        for stretch in _stretches(stream):
            value = self._laid("layout", stretch, self._laid_out)
            yield _read(_LAYOUT.decode(value), stretch)

    def one_framing(self, shots: Sequence[Shot]) -> Group:
        """Lay out frames that are known to belong together, in order of time."""
        value = self._laid("one framing", shots, self._placed_anyway)
        return _group(_MEMBERS.decode(value), shots)

    def panorama(self, sweep: Sweep, settings: Settings) -> tuple[Panorama, tuple[str, ...]]:
        """Audit one sweep, see `panorama_of`."""
        shots = [member.shot for position in sweep.positions for member in position]
        judging = msgspec.structs.replace(
            settings, bounds=Bounds(), jobs=None, cluster=None, cache=None, fresh=False
        )
        number = {shot.place: at for at, shot in enumerate(shots)}
        inputs = (
            [_members(position, number) for position in sweep.positions],
            [number[shot.place] for shot in sweep.shots],
            replace(sweep, positions=[], shots=[]),
            [(shot.picture_digest, shot.row, shot.detail) for shot in shots],
            judging,
        )
        watched = replace(sweep, shots=[self._watched(shot) for shot in sweep.shots])

        def find() -> bytes:
            return _ENCODER.encode(panorama_of(watched, self._views, judging))

        return _PANORAMA.decode(self._value("panorama", _ENCODER.encode(inputs), shots, find))

    def _laid_out(self, shots: Sequence[Shot]) -> bytes:
        found = groups(shots, self._views)
        return _written(found, sweeps(found, self._views), shots)

    def _placed_anyway(self, shots: Sequence[Shot]) -> bytes:
        return _ENCODER.encode(_members(placed_anyway(shots, self._views), _places(shots)))

    def _laid(
        self, name: str, shots: Sequence[Shot], find: Callable[[Sequence[Shot]], bytes]
    ) -> bytes:
        """What a function finds of frames that show no more than their place may depend on."""
        facts = [_Facts.of(shot) for shot in shots]
        bare = [each.of_shot(self._watched(shot)) for each, shot in zip(facts, shots, strict=True)]
        return self._value(name, _ENCODER.encode(facts), shots, partial(find, bare))

    def _value(
        self, name: str, inputs: bytes, shots: Sequence[Shot], find: Callable[[], bytes]
    ) -> bytes:
        """Kept value, or else a new one, which is kept if every picture was what it should be."""
        value = None if self._kept is None else self._kept.found(name, inputs)
        if value is not None:
            return value
        value = find()
        if self._kept is not None and self._unlike.isdisjoint(shot.place for shot in shots):
            self._kept.keep(name, inputs, value)
        return value

    def _watched(self, shot: Shot) -> Shot:
        """The same frame, noted if its picture is not what its digest promises."""
        return replace(shot, picture=partial(self._picture, shot))

    def _picture(self, shot: Shot) -> Picture | None:
        grey = shot.picture()
        if (grey is None) != (shot.picture_digest is None):
            self._unlike.add(shot.place)
        return grey


class _Facts(NamedTuple):
    """All of a frame, but its picture, that its place among others may depend on."""

    picture_digest: bytes | None
    format: str
    exposure: Exposure | None
    sensor: Sensor | None

    @classmethod
    def of(cls, shot: Shot) -> "_Facts":
        row = shot.row
        return cls(shot.picture_digest, row.format, row.exposure, row.sensor)

    def of_shot(self, shot: Shot) -> Shot:
        """The frame with nothing else to show, so that nothing else can enter."""
        row = AuditedFrame(
            file="",
            companions=(),
            format=self.format,
            state="measured",
            error=None,
            exposure=self.exposure,
            sensor=self.sensor,
            verdict="look-again",
            rank=None,
        )
        return replace(shot, row=row, detail_source=_no_detail)


def _no_detail() -> None:
    """The place of a frame may not depend on its detail."""


def _stretches(stream: Sequence[Shot]) -> Iterator[Sequence[Shot]]:
    """Cut a body's frames where a pause is too long for any group or sweep."""
    starts = start_times_s(stream)
    first = 0
    for at in range(1, len(stream)):
        idle = idle_s(stream[at - 1], stream[at], starts)
        if idle is not None and idle > REACH_S:
            yield stream[first:at]
            first = at
    if stream:
        yield stream[first:]


# ---------------------------------------------------------------- the kept form


class _Member(NamedTuple):
    """A `Placed`, with the number of its frame in the stretch."""

    at: int
    rotation: NDArray[np.float64]
    zoom: float
    brightness_ev: float | None
    idle_s: float | None
    fields: tuple[float, float]


class _KeptSweep(NamedTuple):
    """A `Sweep`, with the numbers of its groups and frames."""

    positions: list[int]
    shots: list[int]
    rest: Sweep


class _KeptLayout(NamedTuple):
    groups: list[list[_Member]]
    sweeps: list[_KeptSweep]


def _plain(value: Any) -> Any:  # as msgspec asks for it
    """Arrays and numbers of numpy as plain ones, without loss."""
    if isinstance(value, np.ndarray) and value.dtype == np.float64:
        return value.tolist()
    if isinstance(value, np.bool_ | np.integer | np.float64):
        return value.item()
    raise TypeError(f"expected what can be kept, found {type(value).__name__}")


def _array(_: type, value: Any) -> NDArray[np.float64]:  # as msgspec asks for it
    return np.array(value, np.float64)


_ENCODER = msgspec.msgpack.Encoder(enc_hook=_plain)
_LAYOUT = msgspec.msgpack.Decoder(_KeptLayout, dec_hook=_array)
_PANORAMA = msgspec.msgpack.Decoder(tuple[Panorama, tuple[str, ...]])
_MEMBERS = msgspec.msgpack.Decoder(list[_Member], dec_hook=_array)


def _written(found: Sequence[Group], swept: Sequence[Sweep], shots: Sequence[Shot]) -> bytes:
    places = _places(shots)
    number = {id(group): at for at, group in enumerate(found)}
    kept = [
        _KeptSweep(
            [number[id(position)] for position in each.positions],
            [places[shot.place] for shot in each.shots],
            replace(each, positions=[], shots=[]),
        )
        for each in swept
    ]
    return _ENCODER.encode(_KeptLayout([_members(group, places) for group in found], kept))


def _read(kept: _KeptLayout, shots: Sequence[Shot]) -> Layout:
    found = [_group(members, shots) for members in kept.groups]
    swept = [
        replace(
            each.rest,
            positions=[found[at] for at in each.positions],
            shots=[shots[at] for at in each.shots],
        )
        for each in kept.sweeps
    ]
    return Layout(found, swept)


def _places(shots: Sequence[Shot]) -> dict[int, int]:
    """Number in the stretch by the caller's number."""
    return {shot.place: at for at, shot in enumerate(shots)}


def _members(group: Group, places: dict[int, int]) -> list[_Member]:
    return [
        _Member(
            places[each.shot.place],
            each.rotation,
            each.zoom,
            each.brightness_ev,
            each.idle_s,
            each.fields,
        )
        for each in group
    ]


def _group(members: Sequence[_Member], shots: Sequence[Shot]) -> Group:
    return tuple(
        Placed(
            shot=shots[each.at],
            rotation=each.rotation,
            zoom=each.zoom,
            brightness_ev=each.brightness_ev,
            idle_s=each.idle_s,
            fields=each.fields,
        )
        for each in members
    )
