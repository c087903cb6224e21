"""Readings become rows: judged alone, then together, then as members of series.

A fault in judging costs no other frame its row.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial

import msgspec

from audit.diagnose import damage, dust, judge, judge_together
from audit.kept import Derived, Pictures
from audit.rank import in_series, verdict_of
from audit.records import (
    AuditedFrame,
    DetailMap,
    DustSpot,
    ErrorNote,
    Frame,
    Reading,
    Series,
    Unread,
)
from audit.settings import Settings


class Details:
    """Detail maps of the frames by place, packed: as records they take four times the room."""

    def __init__(self) -> None:
        self._packed: dict[int, bytes] = {}
        self._encoder = msgspec.msgpack.Encoder()
        self._decoder = msgspec.msgpack.Decoder(DetailMap)

    def without(self, index: int, result: Reading | Unread) -> Reading | Unread:
        """Take over the map of a reading; what is returned has none."""
        if not isinstance(result, Reading) or result.detail is None:
            return result
        self._packed[index] = self._encoder.encode(result.detail)
        return msgspec.structs.replace(result, detail=None)

    def of(self, index: int) -> DetailMap | None:
        """Map of a frame; ``None`` where it has none."""
        packed = self._packed.get(index)
        return None if packed is None else self._decoder.decode(packed)


def judged_together(
    rows: dict[int, AuditedFrame], results: Mapping[int, Reading | Unread], settings: Settings
) -> None:
    """Add to rows that were judged by themselves what only all of them tell."""
    sound = {
        index: result
        for index, result in results.items()
        if isinstance(result, Reading) and rows[index].state == "measured"
    }
    together = judge_together(list(sound.values()), settings)
    for index, more in zip(sound, together, strict=True):
        if more:
            row = rows[index]
            rows[index] = msgspec.structs.replace(row, findings=(*row.findings, *more))


def series_of(
    rows: dict[int, AuditedFrame],
    frames: Sequence[Frame],
    results: Mapping[int, Reading | Unread],
    settings: Settings,
    pictures: Pictures,
    derived: Derived,
    details: Details,
    warn: Callable[[str], None],
) -> tuple[Series, ...]:
    """Find the series, and judge the rows of their members again."""
    from audit.series import Shot, find_series, series_record

    shots = [
        Shot(
            place=index,
            row=rows[index],
            detail_source=partial(details.of, index),
            picture=partial(pictures.grey, frames[index]),
            picture_digest=pictures.digest(frames[index]),
        )
        for index, result in results.items()
        if isinstance(result, Reading) and rows[index].state == "measured"
    ]
    try:
        found = find_series(shots, settings, derived)
    except Exception as error:
        # A fault here costs the series, and no frame its row.
        warn(f"series cannot be told: {type(error).__name__}: {error}")
        return ()
    records = tuple(series_record(each, number) for number, each in enumerate(found, start=1))
    for each, record in zip(found, records, strict=True):
        for shot in each.shots:
            rows[shot.place] = in_series(
                rows[shot.place],
                record,
                settings,
                excuses=each.excuses.get(shot.place, {}),
                why_not_best=each.spare.get(shot.place),
            )
    return records


def dust_of(
    rows: dict[int, AuditedFrame],
    frames: Sequence[Frame],
    series: Sequence[Series],
    settings: Settings,
    pictures: Pictures,
    derived: Derived,
    warn: Callable[[str], None],
) -> tuple[DustSpot, ...]:
    """Find dust on the sensors, and note it on the rows of the frames that show it."""
    from audit.series.dust import one_framing
    from audit.series.kept_dust import kept_dust

    measured = [index for index, row in rows.items() if row.state == "measured"]
    places = sorted(measured, key=lambda index: (_taken_at(rows[index]), index))
    together = one_framing(series)
    try:
        found = kept_dust(
            [rows[index] for index in places],
            [together.get(rows[index].series or "", index) for index in places],
            [pictures.digest(frames[index], "sensor") for index in places],
            lambda place: pictures.grey(frames[places[place]], "sensor"),
            derived,
        )
    except Exception as error:
        # A fault here costs the dust, and no frame its row.
        warn(f"dust cannot be told: {type(error).__name__}: {error}")
        return ()
    for index, seen in zip(places, found.shown, strict=True):
        row = rows[index]
        shown = [(found.spots[each.spot], each.contrast) for each in seen]
        orientation = 1 if row.exposure is None else row.exposure.orientation
        if (note := dust(shown, orientation, settings)) is not None:
            rows[index] = msgspec.structs.replace(row, findings=(*row.findings, note))
    return found.spots


def _taken_at(row: AuditedFrame) -> str:
    return "" if row.exposure is None else row.exposure.taken_at or ""


def row_of(frame: Frame, result: Reading | Unread, settings: Settings) -> AuditedFrame:
    """Row of one frame; a fault in judging it costs no other frame its row."""
    if isinstance(result, Reading):
        try:
            return _judged(frame, result, settings)
        except Exception as error:
            message = f"{frame.file}: its reading cannot be judged: {type(error).__name__}: {error}"
            result = Unread(state="crashed", code="crashed", message=message)
    return AuditedFrame(
        file=frame.file,
        folder=frame.folder,
        companions=frame.companions,
        format=frame.format,
        state=result.state,
        error=ErrorNote(code=result.code, message=result.message),
        exposure=result.exposure,
        findings=damage(result),
        verdict="unread",
        rank=None,
    )


def _judged(frame: Frame, reading: Reading, settings: Settings) -> AuditedFrame:
    judgement = judge(reading, settings)
    return AuditedFrame(
        file=frame.file,
        folder=frame.folder,
        companions=frame.companions,
        format=frame.format,
        state="measured",
        error=None,
        measured_file=reading.file,
        exposure=reading.exposure,
        sensor=judgement.sensor,
        sharpness=judgement.sharpness,
        clipping=reading.clipping,
        noise=reading.noise,
        tone=reading.tone,
        histogram=reading.histogram,
        sharpest=reading.sharpest,
        softest=reading.softest,
        limits=judgement.limits,
        findings=judgement.findings,
        print=judgement.print,
        verdict=verdict_of(judgement.print, judgement.findings, settings),
        rank=None,
        notes=reading.notes,
        depth=reading.depth,
    )
