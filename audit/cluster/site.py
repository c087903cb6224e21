"""Where a worker of dask takes a frame and gives an answer.

The process of dask reads no file: it hands the frame to a supervised process of its own
(`audit.workers`), which is kept for the next frame and ends when none comes.
"""

import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import msgspec

from audit.cluster.messages import Answer, Order, Sender, answer_with, encoded, make_here
from audit.errors import WorkerError
from audit.records import Frame, Reading, Unread
from audit.workers import Crew, Task, WorkerLimits

IDLE_S = 30.0
"""A supervised process without a frame for so long is ended: the run is over (project's choice)."""

CLOCK_STEP_NS = 2_000_000_000
"""Two computers may see times of change so far apart: FAT keeps them in steps of 2 s (Microsoft's
FAT specification, from memory), and network file systems cut fractions off."""


def serve(message: bytes) -> bytes:
    """Measure one frame.

    Parameters
    ----------
    message : bytes
        An `Order`.

    Returns
    -------
    bytes
        An `Answer`.
    """
    here = make_here()
    wanted = msgspec.msgpack.decode(message, type=Sender).make
    if not here.is_fit_for(wanted):
        return encoded(Answer(refusal=f"expected {wanted}, found {here}"))
    order = msgspec.msgpack.decode(message, type=Order)
    task = Task(payload=order.frame, name=order.frame.file, deadline_s=order.deadline_s)
    try:
        with _bench.crew(order.work, order.limits) as crew:
            ((_, outcome),) = crew.results([task], 1)
    except WorkerError as error:
        return encoded(Answer(refusal=str(error)))
    return encoded(answer_with(outcome, here.other_libraries(wanted)))


def measured_if_same(frame: Frame, job: Callable[[Frame], Reading | Unread]) -> Reading | Unread:
    """Job of a supervised process: measure a frame if its files are those that the run found."""
    strange = _strange(frame)
    if strange is None:
        return job(frame)
    path, found = strange
    message = (
        f"{frame.file}: expected on {socket.gethostname()} the same file as where the run was"
        f" started, {path.decode('utf-8', 'backslashreplace')}; found: {found}"
    )
    return Unread(state="unreadable", code="unreadable", message=message)


def _strange(frame: Frame) -> tuple[bytes, str] | None:
    """First file of a frame that is not what the run found, and what it is instead."""
    paths = (frame.path, *frame.companion_paths)
    times_ns = (frame.mtime_ns, *frame.companion_mtimes_ns)
    for path, time_ns in zip(paths, times_ns, strict=True):
        try:
            status = os.stat(os.fsdecode(path))  # noqa: PTH116  # the path as the system knows it
        except OSError as error:
            return path, error.strerror or type(error).__name__
        if path == frame.path and status.st_size != frame.size_bytes:
            return path, f"{status.st_size} bytes instead of {frame.size_bytes}"
        if abs(status.st_mtime_ns - time_ns) > CLOCK_STEP_NS:
            return path, "another time of change"
    return None


class _Seat:
    """A crew that waits for its next frame."""

    def __init__(self, work: bytes, limits: WorkerLimits) -> None:
        self.key = (work, limits)
        self.crew = Crew(work, limits)
        self.patience: threading.Timer | None = None


class _Bench:
    """The crews of this process; each serves one frame at a time."""

    def __init__(self) -> None:
        self._idle: list[_Seat] = []
        self._lock = threading.Lock()

    @contextmanager
    def crew(self, work: bytes, limits: WorkerLimits) -> Iterator[Crew]:
        """Lend a crew that does this work; one that failed is not used again."""
        seat = self._taken(work, limits)
        try:
            yield seat.crew
        except BaseException:
            seat.crew.close()
            raise
        self._give_back(seat)

    def _taken(self, work: bytes, limits: WorkerLimits) -> _Seat:
        with self._lock:
            for seat in self._idle:
                if seat.key == (work, limits):
                    self._idle.remove(seat)
                    assert seat.patience is not None
                    seat.patience.cancel()
                    return seat
        return _Seat(work, limits)

    def _give_back(self, seat: _Seat) -> None:
        seat.patience = threading.Timer(IDLE_S, self._retire, (seat,))
        seat.patience.daemon = True
        with self._lock:
            self._idle.append(seat)
            seat.patience.start()

    def _retire(self, seat: _Seat) -> None:
        """Thread: end a crew, unless it was lent at the last moment."""
        with self._lock:
            if seat not in self._idle or seat.patience is not threading.current_thread():
                return
            self._idle.remove(seat)
        seat.crew.close()


_bench = _Bench()
