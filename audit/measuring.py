"""Frames that have no reading yet are measured, and each reading is kept as it comes.

This process never opens an original for its pixels: that is the workers' part.
"""

import os
from collections.abc import Callable, Sequence
from contextlib import closing
from functools import partial
from typing import Protocol

import msgspec

from audit.errors import StoreError
from audit.records import Frame, Reading, Unread
from audit.settings import Bounds, Settings
from audit.store import Store
from audit.workers import Failure, Task, WorkerLimits, run_tasks

USUAL_FRAME_BYTES = 1_500_000_000
"""Memory of a worker with a frame of 45 megapixels; bounds how many run at once (guess)."""


class Progress(Protocol):
    """Whoever shows how far a run is."""

    def start(self, total: int) -> None:
        """`total` frames are to be measured."""

    def advance(self, name: str) -> None:
        """One more is done."""

    def finish(self) -> None:
        """None will follow, whether all are done or not."""


def load() -> None:
    """Load what measuring needs, in a worker; this process does without."""
    import audit.examine  # noqa: F401


def examined(frame: Frame, bounds: Bounds) -> Reading | Unread:
    """Job of a worker."""
    from audit.examine import examine

    return examine(frame, bounds)


def measure(
    frames: Sequence[Frame],
    results: dict[int, Reading | Unread],
    store: Store,
    settings: Settings,
    progress: Progress | None,
    warn: Callable[[str], None],
    seen: Callable[[int], None],
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
    job = partial(examined, bounds=bounds)
    keeper = _Keeper(store, warn)
    if progress is not None:
        progress.start(len(tasks))
    try:
        with closing(run_tasks(tasks, job, jobs=jobs, limits=limits, prepare=load)) as done:
            for place, outcome in done:
                index = missing[place]
                results[index] = keeper.kept(frames[index], outcome)
                seen(index)
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
