"""The order of the steps: scan, look up, measure, judge, rank.

This process never opens an original for its pixels: that is the workers' part. It alone writes the
store. Whatever happens to one frame, or to the store, the others get their rows.
"""

import os
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Protocol

import msgspec
import platformdirs

from audit.diagnose import damage, judge, judge_together
from audit.errors import StoreError
from audit.rank import ranked, verdict_of
from audit.records import (
    AuditedFrame,
    Counts,
    ErrorNote,
    Frame,
    Reading,
    Report,
    Skipped,
    Tool,
    Unread,
    UsedSettings,
)
from audit.scan import display_name, scan
from audit.settings import Settings
from audit.store import Store
from audit.version import MEASURES, __version__
from audit.workers import Failure, Task, WorkerLimits, run_tasks

TOOL = "frame-audit"

DEADLINE_S = 30.0
"""Time for any frame, however small its file (guess)."""

DEADLINE_S_PER_MB = 1.5
"""On top, for each megabyte: half a second for each megapixel, three pixels to the byte as in a
well compressed JPEG (guess)."""

WORKER_BASE_BYTES = 1_000_000_000
"""Address space of a worker before it has read anything, with room to spare (guess)."""

BYTES_PER_PX = 24
"""Memory for each pixel while a frame is measured: half as much again as the 16 that were measured
on raw files."""

LARGEST_FRAME_PX = 300_000_000
"""Twice the largest sensor of today's cameras (guess)."""

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
    warn = warn or _say_nothing
    found = scan(folders)
    with _opened_store(settings, warn) as store:
        results = {} if settings.fresh else _stored(found.frames, store, warn)
        from_store = len(results)
        is_whole = _measure(found.frames, results, store, settings, progress, warn)
    rows = _rows(found.frames, results, settings)
    left_out = [
        Skipped(folder=frame.folder, file=frame.file, reason=NOT_MEASURED)
        for index, frame in enumerate(found.frames)
        if index not in results
    ]
    skipped = (*found.skipped, *left_out)
    frames = ranked(rows)
    return Report(
        tool=Tool(name=TOOL, version=__version__),
        settings=_used(settings),
        folders=tuple(display_name(folder) for folder in folders),
        frames=frames,
        skipped=skipped,
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


def _examine(frame: Frame) -> Reading | Unread:
    """Job of a worker."""
    from audit.examine import examine

    return examine(frame)


def _measure(
    frames: Sequence[Frame],
    results: dict[int, Reading | Unread],
    store: Store,
    settings: Settings,
    progress: Progress | None,
    warn: Callable[[str], None],
) -> bool:
    """Measure the frames that have no result yet; false if Ctrl-C came before the end."""
    missing = [index for index in range(len(frames)) if index not in results]
    if not missing:
        return True
    tasks = [
        Task(payload=frames[i], name=frames[i].file, deadline_s=_deadline_s(frames[i]))
        for i in missing
    ]
    jobs = settings.jobs or _usual_jobs()
    limits = WorkerLimits(memory_bytes=_memory_limit_bytes())
    keeper = _Keeper(store, warn)
    if progress is not None:
        progress.start(len(tasks))
    try:
        with closing(run_tasks(tasks, _examine, jobs=jobs, limits=limits, prepare=_load)) as done:
            for place, outcome in done:
                index = missing[place]
                results[index] = keeper.kept(frames[index], outcome)
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


def _deadline_s(frame: Frame) -> float:
    return DEADLINE_S + DEADLINE_S_PER_MB * frame.size_bytes / 1e6


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


def _memory_limit_bytes() -> int:
    """Enough for the largest frame, but never more than the computer has."""
    wanted = WORKER_BASE_BYTES + BYTES_PER_PX * LARGEST_FRAME_PX
    present = _physical_memory_bytes()
    return wanted if present is None else min(wanted, max(present, 2 * WORKER_BASE_BYTES))


def _physical_memory_bytes() -> int | None:
    """Memory of the computer, where the system tells."""
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):
        return None


# ---------------------------------------------------------------- the report


def _rows(
    frames: Sequence[Frame], results: Mapping[int, Reading | Unread], settings: Settings
) -> list[AuditedFrame]:
    """Rows of all frames, by themselves and then together."""
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
    return list(rows.values())


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
