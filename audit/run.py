"""The order of the steps: scan, look up, measure, judge, rank.

This process never opens an original for its pixels: that is the workers' part. It alone writes the
store. Whatever happens to one frame, or to the store, the others get their rows.
"""

import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import msgspec
import platformdirs

from audit.card import card_notes
from audit.diagnose import damage, dust, judge, judge_together
from audit.errors import StoreError
from audit.rank import in_series, ranked, verdict_of
from audit.records import (
    AuditedFrame,
    Counts,
    DustSpot,
    ErrorNote,
    Frame,
    KnownHash,
    PictureName,
    Reading,
    Report,
    Series,
    Skipped,
    Tool,
    Unread,
    UsedSettings,
)
from audit.scan import Scan, display_name, named_bytes, scan
from audit.settings import Bounds, Settings
from audit.store import Store
from audit.version import MEASURES, __version__
from audit.workers import Failure, Task, WorkerLimits, run_tasks

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TOOL = "frame-audit"

USUAL_FRAME_BYTES = 1_500_000_000
"""Memory of a worker with a frame of 45 megapixels; bounds how many run at once (guess)."""

NOT_MEASURED = "not measured: the run was stopped"


class Progress(Protocol):
    """Whoever shows how far a run is."""

    def start(self, total: int) -> None:
        """`total` frames are to be measured."""

    def advance(self, name: str) -> None:
        """One more is done."""

    def finish(self) -> None:
        """None will follow, whether all are done or not."""


def check(
    folders: Sequence[Path],
    settings: Settings,
    *,
    progress: Progress | None = None,
    warn: Callable[[str], None] | None = None,
) -> Report:
    """Audit the frames below some folders.

    Parameters
    ----------
    folders : sequence of Path
    settings : Settings
    progress : Progress, optional
        Told of every frame that is measured; those in the store are none of its business.
    warn : callable, optional
        Gets a sentence for whatever went wrong without harm to the report.

    Returns
    -------
    Report
        One row for each frame, the same for the same files in whatever order they were measured.
        Ctrl-C while measuring ends it early: the frames not measured are then among the skipped.

    Raises
    ------
    FolderError
        If a folder cannot be scanned.
    AuditError
        If no worker process can be started.
    """
    with open_audit(folders, settings, progress=progress, warn=warn) as audit:
        return audit.report


class Audit:
    """A run's report, and the small pictures of its frames as long as the store is open.

    Attributes
    ----------
    report : Report
    """

    def __init__(
        self,
        report: Report,
        frames: Iterable[Frame],
        store: Store,
        warn: Callable[[str], None],
    ) -> None:
        self.report = report
        self._frames = {(frame.folder, frame.file): frame for frame in frames}
        self._pictures = _Pictures(store, warn)

    @property
    def frames(self) -> tuple[Frame, ...]:
        """All frames, with the paths of their files."""
        return tuple(self._frames.values())

    def frame_of(self, row: AuditedFrame) -> Frame:
        """Frame of a row, with the paths of its files."""
        return self._frames[row.folder, row.file]

    def picture(self, row: AuditedFrame, name: PictureName) -> bytes:
        """Encoded small picture of a row; empty where there is none. No original is opened."""
        frame = self._frames.get((row.folder, row.file))
        return b"" if frame is None else self._pictures.of(frame, name)


class _Pictures:
    """Small pictures of the store; one that cannot be read is missing, no more."""

    def __init__(self, store: Store, warn: Callable[[str], None]) -> None:
        self._store = store
        self._warn = warn

    def of(self, frame: Frame, name: PictureName) -> bytes:
        """Encoded picture; empty where there is none."""
        try:
            return self._store.picture(frame, name)
        except StoreError as error:
            self._warn(str(error))
            return b""

    def grey(self, frame: Frame, name: PictureName = "registration") -> "NDArray[np.uint8] | None":
        """Picture for registration, or another grey one; ``None`` where there is none."""
        from audit.decode.small_pictures import read_grey_png

        return read_grey_png(self.of(frame, name))


@contextmanager
def open_audit(
    folders: Sequence[Path],
    settings: Settings,
    *,
    progress: Progress | None = None,
    warn: Callable[[str], None] | None = None,
    seen: Callable[[AuditedFrame], None] | None = None,
) -> Iterator[Audit]:
    """Audit like `check`, and keep the pictures at hand until the context ends.

    Parameters
    ----------
    folders, settings, progress, warn
        As for `check`.
    seen : callable, optional
        Gets each frame as soon as it is measured, judged by itself alone: other frames may still
        change its findings and verdict, and it has no rank yet.

    Yields
    ------
    Audit

    Raises
    ------
    FolderError, AuditError
        As `check` does.
    """
    warn = warn or _say_nothing
    found = scan(folders)
    with _opened_store(settings, warn) as store:
        report = _report_of(found, folders, settings, store, progress, warn, seen or _see_nothing)
        yield Audit(report, found.frames, store, warn)


def _report_of(
    found: Scan,
    folders: Sequence[Path],
    settings: Settings,
    store: Store,
    progress: Progress | None,
    warn: Callable[[str], None],
    seen: Callable[[AuditedFrame], None],
) -> Report:
    """Measure what is missing and judge everything."""
    results = {} if settings.fresh else _stored(found.frames, store, warn)
    from_store = len(results)
    for index, result in results.items():
        seen(_row(found.frames[index], result, settings))
    is_whole = _measure(found.frames, results, store, settings, progress, warn, seen)
    rows = _rows(found.frames, results, settings)
    series = _series(rows, found.frames, results, settings, store, warn)
    dust = _dust(rows, found.frames, series, settings, store, warn)
    left_out = [
        Skipped(folder=frame.folder, file=frame.file, reason=NOT_MEASURED)
        for index, frame in enumerate(found.frames)
        if index not in results
    ]
    skipped = (*found.skipped, *left_out)
    frames = ranked(rows.values())
    return Report(
        tool=Tool(name=TOOL, version=__version__),
        settings=_used(settings),
        folders=tuple(display_name(folder) for folder in folders),
        frames=frames,
        series=series,
        dust=dust,
        skipped=skipped,
        card=card_notes(found.frames, results, found.skipped),
        counts=_counts(frames, from_store=from_store, skipped=len(skipped)),
        interrupted=not is_whole,
    )


# ---------------------------------------------------------------- the store


def _opened_store(settings: Settings, warn: Callable[[str], None]) -> Store:
    """Open the store, or one that ends with the run where there can be none."""
    folder = settings.cache or platformdirs.user_cache_path(TOOL)
    try:
        return Store(folder, version=MEASURES, warn=warn)
    except StoreError as error:
        warn(f"{error}; nothing is kept for the next run")
        return Store(None, version=MEASURES, warn=warn)


def _stored(
    frames: Sequence[Frame], store: Store, warn: Callable[[str], None]
) -> dict[int, Reading | Unread]:
    """Readings of earlier runs, by the frame's place."""
    try:
        kept = store.get_many(frames)
    except StoreError as error:
        warn(f"{error}; everything is measured again")
        return {}
    return {index: _renamed(reading, frames[index]) for index, reading in kept.items()}


def photographs(folder: Path) -> tuple[bytes, ...]:
    """Files below a folder that are frames or companions: paths below it, with ``/``.

    Raises
    ------
    FolderError
        If it cannot be scanned.
    """
    frames = scan([folder]).frames
    return tuple(named_bytes(name) for frame in frames for name in (frame.file, *frame.companions))


def known_hashes(
    folder: Path, settings: Settings, *, warn: Callable[[str], None]
) -> tuple[Path, tuple[KnownHash, ...]]:
    """Hashes of the files below a folder from when they were measured.

    Parameters
    ----------
    folder : Path
    settings : Settings
    warn : callable
        Gets a sentence if the store cannot be used.

    Returns
    -------
    Path
        The folder as the store knows it.
    tuple of KnownHash
    """
    real = Path(os.path.realpath(folder))
    try:
        with _opened_store(settings, warn) as store:
            stored = store.hashes_below(os.fsencode(real))
    except StoreError as error:
        warn(str(error))
        return real, ()
    return real, tuple(
        KnownHash(path=_measured_path(main, measured), digest=digest)
        for main, (measured, digest) in stored.items()
    )


def _measured_path(main: bytes, measured: str) -> bytes:
    """Path of the file whose pixels were measured: it lies in the folder of the main one."""
    folder, separator, _ = main.rpartition(os.sep.encode())
    return folder + separator + named_bytes(measured.rpartition("/")[2])


def _renamed(reading: Reading, frame: Frame) -> Reading:
    """Name the measured file as this run does: the folder that was named may be another."""
    measured = reading.file.rpartition("/")[2]
    for file in (frame.file, *frame.companions):
        if file.rpartition("/")[2] == measured:
            return msgspec.structs.replace(reading, file=file)
    return reading


# ---------------------------------------------------------------- measuring


def _load() -> None:
    """Load what measuring needs, in a worker; this process does without."""
    import audit.examine  # noqa: F401


def _examine(frame: Frame, bounds: Bounds) -> Reading | Unread:
    """Job of a worker."""
    from audit.examine import examine

    return examine(frame, bounds)


def _measure(
    frames: Sequence[Frame],
    results: dict[int, Reading | Unread],
    store: Store,
    settings: Settings,
    progress: Progress | None,
    warn: Callable[[str], None],
    seen: Callable[[AuditedFrame], None],
) -> bool:
    """Measure the frames that have no result yet; false if Ctrl-C came before the end."""
    missing = [index for index in range(len(frames)) if index not in results]
    if not missing:
        return True
    bounds = settings.bounds
    tasks = [
        Task(payload=frames[i], name=frames[i].file, deadline_s=_deadline_s(frames[i], bounds))
        for i in missing
    ]
    jobs = settings.jobs or _usual_jobs()
    limits = WorkerLimits(memory_bytes=_memory_limit_bytes(bounds))
    job = partial(_examine, bounds=bounds)
    keeper = _Keeper(store, warn)
    if progress is not None:
        progress.start(len(tasks))
    try:
        with closing(run_tasks(tasks, job, jobs=jobs, limits=limits, prepare=_load)) as done:
            for place, outcome in done:
                index = missing[place]
                results[index] = keeper.kept(frames[index], outcome)
                seen(_row(frames[index], results[index], settings))
                if progress is not None:
                    progress.advance(frames[index].file)
    except KeyboardInterrupt:
        return False
    finally:
        if progress is not None:
            progress.finish()
    return True


class _Keeper:
    """Puts readings into the store as they come."""

    def __init__(self, store: Store, warn: Callable[[str], None]) -> None:
        self._store = store
        self._warn = warn
        self._has_warned = False

    def kept(self, frame: Frame, outcome: Reading | Unread | Failure) -> Reading | Unread:
        """Keep a reading; what is not one is tried again in the next run."""
        if isinstance(outcome, Failure):
            return Unread(state=outcome.state, code=outcome.state, message=outcome.message)
        if isinstance(outcome, Unread):
            return outcome
        try:
            self._store.put(frame, outcome)
        except StoreError as error:
            if not self._has_warned:
                self._warn(str(error))
            self._has_warned = True
        # From here on the store has the pictures: thousands are no load for this process.
        return msgspec.structs.replace(outcome, pictures={})


def _deadline_s(frame: Frame, bounds: Bounds) -> float:
    return bounds.deadline_s + bounds.deadline_s_per_mb * frame.size_bytes / 1e6


def _usual_jobs() -> int:
    """One worker a core that this process may use, and no more than memory allows."""
    if hasattr(os, "sched_getaffinity"):
        cores = len(os.sched_getaffinity(0))
    else:
        cores = os.cpu_count() or 1
    memory_bytes = _physical_memory_bytes()
    if memory_bytes is not None:
        cores = min(cores, memory_bytes // USUAL_FRAME_BYTES)
    return max(cores, 1)


def _memory_limit_bytes(bounds: Bounds) -> int:
    """Enough for the largest frame, but never more than the computer has."""
    present = _physical_memory_bytes()
    if present is None:
        return bounds.worker_bytes
    return min(bounds.worker_bytes, max(present, 2 * bounds.base_bytes))


def _physical_memory_bytes() -> int | None:
    """Memory of the computer, where the system tells."""
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):
        return None


# ---------------------------------------------------------------- the report


def _rows(
    frames: Sequence[Frame], results: Mapping[int, Reading | Unread], settings: Settings
) -> dict[int, AuditedFrame]:
    """Rows of all frames by place, judged by themselves and then together."""
    rows = {index: _row(frames[index], result, settings) for index, result in results.items()}
    sound = {
        index: result
        for index, result in results.items()
        if isinstance(result, Reading) and rows[index].state == "measured"
    }
    together = judge_together(list(sound.values()), settings)
    for index, more in zip(sound, together, strict=True):
        row = rows[index]
        rows[index] = msgspec.structs.replace(row, findings=(*row.findings, *more))
    return rows


def _series(
    rows: dict[int, AuditedFrame],
    frames: Sequence[Frame],
    results: Mapping[int, Reading | Unread],
    settings: Settings,
    store: Store,
    warn: Callable[[str], None],
) -> tuple[Series, ...]:
    """Find the series, and judge the rows of their members again."""
    from audit.series import Shot, find_series, series_record

    pictures = _Pictures(store, warn)
    shots = [
        Shot(
            place=index,
            row=rows[index],
            detail=result.detail,
            picture=partial(pictures.grey, frames[index]),
        )
        for index, result in results.items()
        if isinstance(result, Reading) and rows[index].state == "measured"
    ]
    try:
        found = find_series(shots, settings)
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


def _dust(
    rows: dict[int, AuditedFrame],
    frames: Sequence[Frame],
    series: Sequence[Series],
    settings: Settings,
    store: Store,
    warn: Callable[[str], None],
) -> tuple[DustSpot, ...]:
    """Find dust on the sensors, and note it on the rows of the frames that show it."""
    from audit.series.dust import find_dust, one_framing

    pictures = _Pictures(store, warn)
    measured = [index for index, row in rows.items() if row.state == "measured"]
    places = sorted(measured, key=lambda index: (_taken_at(rows[index]), index))
    together = one_framing(series)
    try:
        found = find_dust(
            [rows[index] for index in places],
            [together.get(rows[index].series or "", index) for index in places],
            lambda place: pictures.grey(frames[places[place]], "sensor"),
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


def _row(frame: Frame, result: Reading | Unread, settings: Settings) -> AuditedFrame:
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
    )


def _used(settings: Settings) -> UsedSettings:
    size = settings.print_size
    return UsedSettings(
        viewing_cm=settings.viewing_cm,
        print_long_cm=None if size is None else size.long_cm,
        print_short_cm=None if size is None else size.short_cm,
        repeats=settings.repeats,
        limits=msgspec.structs.asdict(settings.limits),
    )


def _counts(frames: Iterable[AuditedFrame], *, from_store: int, skipped: int) -> Counts:
    """Sums; excused findings do not count."""
    verdicts = Counter(frame.verdict for frame in frames)
    kinds = Counter(
        finding.kind for frame in frames for finding in frame.findings if finding.excused_by is None
    )
    total = sum(verdicts.values())
    return Counts(
        frames=total,
        measured=total - verdicts["unread"],
        unread=verdicts["unread"],
        keeper=verdicts["keeper"],
        look_again=verdicts["look-again"],
        reject=verdicts["reject"],
        from_store=from_store,
        skipped=skipped,
        findings=dict(sorted(kinds.items())),
    )


def _say_nothing(_: str) -> None:
    """Stand in for a caller who wants no warnings."""


def _see_nothing(_: AuditedFrame) -> None:
    """Stand in for a caller who waits for the report."""
