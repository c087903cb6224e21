"""Frames that have no reading yet are measured, and each reading is kept as it comes.

Measured by worker processes of this computer, or by those of a cluster (`audit.cluster`).

This process never opens an original for its pixels: that is the workers' part.
"""

from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from functools import partial
from typing import Protocol

import msgspec

from audit.errors import ClusterError, StoreError
from audit.machine import memory_bytes, usable_cores
from audit.records import Frame, Reading, Unread
from audit.settings import Bounds, Settings
from audit.store import Store
from audit.workers import Failure, Task, WorkerLimits, run_tasks

USUAL_FRAME_BYTES = 1_500_000_000
"""Memory of a worker with a frame of 45 megapixels; bounds how many run at once (guess)."""


Outcomes = Generator[tuple[int, Reading | Unread | Failure], None, None]
"""Place of a task and what came of it, in order of completion."""


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


def load_quick() -> None:
    """Load what a first look needs."""
    import audit.examine_quick  # noqa: F401


def examined(frame: Frame, bounds: Bounds) -> Reading | Unread:
    """Job of a worker."""
    from audit.examine import examine

    return examine(frame, bounds)


def first_looked(frame: Frame, bounds: Bounds) -> Reading | Unread:
    """Job of a worker that is to be quick."""
    from audit.examine_quick import first_look

    return first_look(frame, bounds)


def measure(
    frames: Sequence[Frame],
    results: dict[int, Reading | Unread],
    store: Store,
    settings: Settings,
    progress: Progress | None,
    warn: Callable[[str], None],
    seen: Callable[[int], None],
) -> bool:
    """Measure the frames that have no result yet; false if not all could be.

    That is so if Ctrl-C came, or the cluster was lost, before the end.

    Raises
    ------
    WorkerError, ClusterError
        If not one could be, for want of workers.
    """
    missing = [index for index in range(len(frames)) if index not in results]
    if not missing:
        return True
    bounds = settings.bounds
    tasks = [
        Task(payload=frames[i], name=frames[i].file, deadline_s=_deadline_s(frames[i], bounds))
        for i in missing
    ]
    job = partial(first_looked if settings.quick else examined, bounds=bounds)
    keeper = _Keeper(store, warn)
    if progress is not None:
        progress.start(len(tasks))
    try:
        with closing(_started(tasks, job, settings, warn)) as done:
            for place, outcome in done:
                index = missing[place]
                results[index] = keeper.kept(frames[index], outcome)
                seen(index)
                if progress is not None:
                    progress.advance(frames[index].file)
    except KeyboardInterrupt:
        return False
    except ClusterError as error:
        if not keeper.has_outcome:
            raise
        warn(f"{error}; what came until then is kept")
        return False
    finally:
        if progress is not None:
            progress.finish()
    return True


def _started(
    tasks: Sequence[Task[Frame]],
    job: Callable[[Frame], Reading | Unread],
    settings: Settings,
    warn: Callable[[str], None],
) -> Outcomes:
    """Set workers to it: those of this computer, or of the cluster that was named."""
    bounds = settings.bounds
    limits = WorkerLimits(
        memory_bytes=bounds.worker_bytes, least_memory_bytes=2 * bounds.base_bytes
    )
    if settings.cluster is None:
        jobs = settings.jobs or _usual_jobs()
        return run_tasks(
            tasks, job, jobs=jobs, limits=limits, prepare=load_quick if settings.quick else load
        )
    from audit.cluster import run_on_cluster

    return run_on_cluster(
        tasks,
        job,
        address=settings.cluster,
        jobs=settings.jobs,
        limits=limits,
        prepare=load_quick if settings.quick else load,
        warn=warn,
    )


class _Keeper:
    """Puts readings into the store as they come."""

    def __init__(self, store: Store, warn: Callable[[str], None]) -> None:
        self._store = store
        self._warn = warn
        self._has_warned = False
        self.has_outcome = False
        """Whether any frame came back, read or not."""

    def kept(self, frame: Frame, outcome: Reading | Unread | Failure) -> Reading | Unread:
        """Keep a reading; what is not one is tried again in the next run."""
        self.has_outcome = True
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
    cores = usable_cores()
    present = memory_bytes()
    if present is not None:
        cores = min(cores, present // USUAL_FRAME_BYTES)
    return max(cores, 1)
