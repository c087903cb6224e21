"""Supervised worker processes: one bad file costs its own frame and nothing else.

Decoders are C code fed with whatever lies on the card. A file can kill its process, hang it, or
make it ask for all memory, so frames are measured in processes that may be lost:

* one pipe and **one task in flight** per worker, so the culprit is known and never guessed;
* the worker says when its imports are done; the clock of a task starts after that;
* a worker that dies or passes its deadline is killed and replaced; its task is tried **once** more,
  after all others, since a neighbour may have caused it (memory, a killed process);
* plain data comes back: an exception as its type's name and text, never as an object;
* a worker ends when its parent is gone, however either of them ended.

Only the standard library is used. A fresh interpreter is started for each worker (never a fork), by
a plain command: so no program that calls this needs a guard around its main module, and the only
processes that are started are the workers. `run_tasks` is the whole interface for a run; `Crew` is
for who gets one task after the other and keeps the workers meanwhile (`audit.cluster`).
"""

import contextlib
import os
import pickle
import queue
import signal
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from typing import IO, Any, Generic, Literal, NamedTuple, NoReturn, TypeVar

from audit.errors import WorkerError
from audit.machine import memory_bytes
from audit.records import Record

if sys.platform != "win32":
    import resource

T = TypeVar("T")
R = TypeVar("R")

FailureState = Literal["crashed", "timed-out", "too-large"]

BAD_STARTS = 3
"""Workers in a row that never got ready: something is wrong with the machine, not with a file."""

SLICE_S = 0.5
"""Longest wait without a look at the clock."""

SUSPENDED_S = 5.0
"""So much longer between two looks than there should be: the computer or the program was
suspended (guess)."""

REAP_S = 1.0
"""Wait for a killed process to be gone; one that hangs in a dead network disk is left behind."""

MAX_MESSAGE_BYTES = 64_000_000
"""Far above any reading; a longer one comes from a worker that has gone wild."""

MAX_FILE_BYTES = 16_000_000
"""Longest file that a worker may write: what C libraries print during one task (guess)."""

CAPTURE_BYTES = 65_536
"""Start of it in which a line for the message is looked for."""

MAX_TEXT = 300
"""Length of an error's text in a message."""

CPU_GRACE_S = 5
"""Beyond its deadline, so that the parent is the first to act if it is there."""

SINGLE_THREADED = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"), "1"
)
"""Workers share the cores among themselves; threads below them would only get in the way."""

KEEPS_MEMORY = {
    "MALLOC_MMAP_THRESHOLD_": "1073741824",
    "MALLOC_TRIM_THRESHOLD_": "1073741824",
}
"""mallopt(3) of the GNU C library, ignored by others: planes of one frame are made where those of
the frame before lay. Fresh memory from the system costs as much as a pass over it (measured). It
stands above what dask sets for its workers, which gives every large array back at once: a frame of
2 megapixels took 1.8 instead of 0.8 s (measured)."""

PR_SET_PDEATHSIG = 1
"""prctl(2)."""


class Task(Record, Generic[T], frozen=True, kw_only=True):
    """One call of the job."""

    payload: T
    name: str
    """For messages."""
    deadline_s: float
    """Wall clock, from the moment when a ready worker gets the task."""


class WorkerLimits(Record, frozen=True, kw_only=True):
    """What a worker may use."""

    memory_bytes: int | None
    """Address space, where the system can limit it; ``None``: no limit."""
    least_memory_bytes: int = 0
    """On a computer with less memory than ``memory_bytes`` the limit is what it has, or this."""
    tasks_per_worker: int = 200
    """Then a fresh one takes over, so that leaks of C libraries stay small."""
    start_s: float = 120.0
    """For starting and loading packages, from a cold disk (guess)."""


class Failure(Record, frozen=True, kw_only=True):
    """A task that gave no result, and why."""

    state: FailureState
    message: str


def run_tasks(
    tasks: Sequence[Task[T]],
    job: Callable[[T], R],
    *,
    jobs: int,
    limits: WorkerLimits,
    prepare: Callable[[], object] | None = None,
) -> Generator[tuple[int, R | Failure], None, None]:
    """Run a job on each task, in worker processes.

    Parameters
    ----------
    tasks : sequence of Task
    job : callable
        A function of a module (it is found there by name); payload in, result out, both picklable.
    jobs : int
        Workers at a time; never more are started than there are tasks.
    limits : WorkerLimits
    prepare : callable, optional
        Called in each worker before it says that it is ready: loads what the job needs.

    Yields
    ------
    index, result : int, R or Failure
        In order of completion; each task exactly once. Close the generator to stop early: its
        workers are gone when `close` returns.

    Raises
    ------
    WorkerError
        If workers cannot be started at all.
    """
    with contextlib.closing(Crew(packed(job, prepare), limits)) as crew:
        yield from crew.results(tasks, jobs)


def packed(job: Callable[[T], R], prepare: Callable[[], object] | None) -> bytes:
    """What a worker is to do, as a worker takes it: only there it is unpacked."""
    return pickle.dumps((job, prepare))


# ---------------------------------------------------------------- the parent's side


class _Outcome(NamedTuple):
    task: int
    result: Any
    is_suspect: bool = False
    """The worker was lost with this task: worth a second try."""


class _Worker:
    """One process, seen from the parent."""

    def __init__(self, order: bytes, inbox: "queue.SimpleQueue[_Event]", start_s: float) -> None:
        self.task: int | None = None
        self.is_ready = False
        self.done = 0
        self.deadline = time.monotonic() + start_s
        """Of its task, or of its start; without meaning while it is idle."""
        self._noise = _noise_file()
        with _sigint_held_back():
            self._process = subprocess.Popen(  # noqa: S603  # our own interpreter and module
                _command(),
                bufsize=0,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._noise or subprocess.DEVNULL,
                env=_environment(),
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._to_worker, self._from_worker = self._process.stdin, self._process.stdout
        self._ear = threading.Thread(target=self._listen, args=(inbox,), daemon=True)
        self._ear.start()
        self._send(order)

    @property
    def is_idle(self) -> bool:
        return self.is_ready and self.task is None

    def give(self, index: int, task: Task[Any]) -> bool:
        """Hand over a task; false if the worker is gone."""
        self._quieten()
        if not self._send(pickle.dumps((task.deadline_s, pickle.dumps(task.payload)))):
            return False
        self.task = index
        self.deadline = time.monotonic() + task.deadline_s
        return True

    def kill(self) -> None:
        """End the process at once."""
        self._process.kill()

    def stop(self) -> None:
        """End the process and let go of everything that belongs to it."""
        self.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(REAP_S)
        self._to_worker.close()
        self._ear.join(REAP_S)
        if not self._ear.is_alive():
            self._from_worker.close()
        if self._noise is not None:
            self._noise.close()

    def end(self) -> str:
        """Say how the process ended by itself."""
        try:
            code = self._process.wait(REAP_S)
        except subprocess.TimeoutExpired:
            return "closed its pipe"
        if code >= 0:
            return f"exit code {code}"
        try:
            return signal.Signals(-code).name
        except ValueError:
            return f"signal {-code}"

    def first_noise(self) -> str:
        """First line that a C library printed during the task, or nothing."""
        if self._noise is None:
            return ""
        self._noise.seek(0)
        lines = self._noise.read(CAPTURE_BYTES).decode("utf-8", "replace").splitlines()
        return next((line.strip()[:MAX_TEXT] for line in lines if line.strip()), "")

    def _quieten(self) -> None:
        """Forget what was printed so far; the worker shares this file's position."""
        if self._noise is not None and self._noise.seek(0, os.SEEK_END):
            self._noise.seek(0)
            self._noise.truncate()

    def _send(self, message: bytes) -> bool:
        try:
            _write_message(self._to_worker.fileno(), message)
        except OSError:
            return False
        return True

    def _listen(self, inbox: "queue.SimpleQueue[_Event]") -> None:
        """Thread: pass on what the worker says; ``None`` when it says no more."""
        try:
            while True:
                inbox.put(_Event(self, _read_message(self._from_worker.fileno())))
        except (OSError, EOFError, MemoryError):
            inbox.put(_Event(self, None))


class _Event(NamedTuple):
    worker: _Worker
    message: bytes | None


class Crew:
    """Workers that all do the same; they are kept between one call of `results` and the next.

    Parameters
    ----------
    work : bytes
        From `packed`.
    limits : WorkerLimits
    """

    def __init__(self, work: bytes, limits: WorkerLimits) -> None:
        self._tasks: Sequence[Task[Any]] = ()
        self._limits = limits
        self._memory_bytes = _memory_limit_bytes(limits)
        self._order = pickle.dumps((self._memory_bytes, work))
        self._workers: list[_Worker] = []
        self._inbox: queue.SimpleQueue[_Event] = queue.SimpleQueue()
        self._bad_starts = 0
        self._last_look = time.monotonic()

    def results(self, tasks: Sequence[Task[Any]], jobs: int) -> Iterator[tuple[int, Any]]:
        """Do the tasks as `run_tasks` does; at most one iterator at a time."""
        self._tasks = tasks
        # Time without a task is no time that was lost.
        self._last_look = time.monotonic()
        suspects = []
        for outcome in self._work_through(range(len(tasks)), jobs):
            if outcome.is_suspect:
                suspects.append(outcome.task)
            else:
                yield outcome.task, outcome.result
        for outcome in self._work_through(suspects, jobs):
            yield outcome.task, outcome.result

    def _work_through(self, indices: Sequence[int], jobs: int) -> Iterator[_Outcome]:
        """Give each of these tasks to a worker, once."""
        waiting = deque(indices)
        while waiting or self._in_flight():
            self._hire(min(max(jobs, 1), len(waiting) + self._in_flight()))
            self._hand_out(waiting)
            event = self._next_event()
            outcome = self._overdue() if event is None else self._settled(event)
            if outcome is not None:
                yield outcome

    def close(self) -> None:
        """Kill all workers; done within moments, whatever they do."""
        for worker in self._workers:
            worker.kill()
        while self._workers:
            self._workers.pop().stop()

    def _in_flight(self) -> int:
        return sum(worker.task is not None for worker in self._workers)

    def _hire(self, wanted: int) -> None:
        while len(self._workers) < wanted:
            try:
                worker = _Worker(self._order, self._inbox, self._limits.start_s)
            except OSError as error:
                raise WorkerError(f"no worker process can be started: {error}") from error
            self._workers.append(worker)

    def _hand_out(self, waiting: deque[int]) -> None:
        for worker in [worker for worker in self._workers if worker.is_idle]:
            if not waiting:
                return
            if worker.give(waiting[0], self._tasks[waiting[0]]):
                waiting.popleft()
            else:
                self._dismiss(worker)

    def _next_event(self) -> _Event | None:
        """Wait for a worker's word; ``None`` if it is time to look at the deadlines."""
        now = time.monotonic()
        nearest = min(
            (worker.deadline for worker in self._workers if not worker.is_idle), default=now
        )
        wait_s = min(max(nearest - now, 0.0), SLICE_S)
        event = None
        with contextlib.suppress(queue.Empty):
            # What has arrived comes first: a result is good even if it was fetched late.
            event = self._inbox.get(timeout=wait_s)
        self._forgive_lost_time()
        return event

    def _forgive_lost_time(self) -> None:
        """Put the deadlines off by the time in which the computer or this program stood still."""
        now = time.monotonic()
        lost_s = now - self._last_look - SLICE_S
        self._last_look = now
        if lost_s > SUSPENDED_S:
            for worker in self._workers:
                worker.deadline += lost_s

    def _overdue(self) -> _Outcome | None:
        """Kill one worker that is past its deadline, if there is one."""
        now = time.monotonic()
        for worker in self._workers:
            if not worker.is_idle and worker.deadline <= now:
                break
        else:
            return None
        if not worker.is_ready:
            self._count_bad_start(worker, f"not ready after {self._limits.start_s:.0f} s")
            return None
        assert worker.task is not None
        task = self._tasks[worker.task]
        message = f"{task.name}: not done after {task.deadline_s:.0f} s" + _quoted(worker)
        return self._lost(worker, Failure(state="timed-out", message=message))

    def _settled(self, event: _Event) -> _Outcome | None:
        """Take in what a worker said, or that it is gone."""
        worker = event.worker
        if worker not in self._workers:
            return None
        kind, value = _understood(event.message)
        if kind == "ready":
            worker.is_ready = True
            self._bad_starts = 0
            return None
        if not worker.is_ready:
            self._count_bad_start(worker, value or worker.end())
            return None
        if worker.task is None:
            self._dismiss(worker)
            return None
        name = self._tasks[worker.task].name
        if kind == "gone":
            how = value or worker.end()
            message = f"{name}: the process that read it ended ({how})" + _quoted(worker)
            return self._lost(worker, Failure(state="crashed", message=message))
        if kind == "raised":
            value = Failure(state="crashed", message=f"{name}: {value}" + _quoted(worker))
        elif kind == "memory":
            value = Failure(state="too-large", message=f"{name}: {self._memory_text()}")
        return self._finished(worker, value)

    def _finished(self, worker: _Worker, result: object) -> _Outcome:
        """Note a result and free its worker for the next task."""
        assert worker.task is not None
        outcome = _Outcome(worker.task, result)
        worker.task = None
        worker.done += 1
        if worker.done >= self._limits.tasks_per_worker:
            self._dismiss(worker)
        return outcome

    def _lost(self, worker: _Worker, failure: Failure) -> _Outcome:
        assert worker.task is not None
        outcome = _Outcome(worker.task, failure, is_suspect=True)
        self._dismiss(worker)
        return outcome

    def _dismiss(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.stop()

    def _count_bad_start(self, worker: _Worker, reason: str) -> None:
        reason += _quoted(worker)
        self._dismiss(worker)
        self._bad_starts += 1
        if self._bad_starts >= BAD_STARTS:
            raise WorkerError(
                f"worker processes do not start: expected a ready worker, found: {reason}"
            )

    def _memory_text(self) -> str:
        if self._memory_bytes is None:
            return "needs more memory than there is"
        return f"needs more memory than the limit of {self._memory_bytes / 1e9:.1f} GB"


def _memory_limit_bytes(limits: WorkerLimits) -> int | None:
    """What is asked for, but never more than this computer has."""
    present = memory_bytes()
    if limits.memory_bytes is None or present is None:
        return limits.memory_bytes
    return min(limits.memory_bytes, max(present, limits.least_memory_bytes))


def _command() -> list[str]:
    """Start a worker with this process's search path, and never with the current folder's code.

    Without ``-P`` a file of the photographer's folder could pass for a module.
    """
    paths = [path or os.getcwd() for path in sys.path]  # noqa: PTH109  # a plain string is needed
    code = f"import sys; sys.path[:] = {paths!a}; from audit.workers import serve; serve()"
    return [sys.executable, "-P", "-c", code]


def _environment() -> dict[str, str]:
    return os.environ | SINGLE_THREADED | KEEPS_MEMORY


@contextlib.contextmanager
def _sigint_held_back() -> Iterator[None]:
    """A process that is started meanwhile never sees Ctrl-C: its parent alone decides."""
    if sys.platform != "win32":
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        if sys.platform != "win32":
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _noise_file() -> IO[bytes] | None:
    """File for what C libraries print; ``None`` where nothing can be written."""
    try:
        return tempfile.TemporaryFile(buffering=0)
    except OSError:
        return None


def _quoted(worker: _Worker) -> str:
    noise = worker.first_noise()
    return f"; it said: {noise}" if noise else ""


def _understood(message: bytes | None) -> tuple[str, Any]:
    """Kind and value of a worker's message; one that makes no sense means that it has gone wild."""
    if message is None:
        return "gone", None
    try:
        kind, value = pickle.loads(message)  # noqa: S301  # from our own process, no wider rights
    except Exception as error:
        return "gone", f"its answer cannot be read: {described(error)}"
    return kind, value


# ---------------------------------------------------------------- messages


def _write_message(descriptor: int, message: bytes) -> None:
    left = memoryview(struct.pack("<Q", len(message)) + message)
    while left:
        left = left[os.write(descriptor, left) :]


def _read_message(descriptor: int) -> bytes:
    (length,) = struct.unpack("<Q", _read_exactly(descriptor, 8))
    if length > MAX_MESSAGE_BYTES:
        raise EOFError
    return _read_exactly(descriptor, length)


def _read_exactly(descriptor: int, length: int) -> bytes:
    parts = []
    while length:
        part = os.read(descriptor, min(length, 1 << 20))
        if not part:
            raise EOFError
        parts.append(part)
        length -= len(part)
    return b"".join(parts)


def described(error: BaseException) -> str:
    """Type and first line of an exception; its own text may be broken, too."""
    name = type(error).__name__
    try:
        lines = str(error).splitlines()
    except Exception:
        return name
    text = next((line.strip()[:MAX_TEXT] for line in lines if line.strip()), "")
    return f"{name}: {text}" if text else name


# ---------------------------------------------------------------- the worker's side


def serve() -> NoReturn:
    """Be a worker: do one task after the other until the parent is gone."""
    inward, outward = os.dup(0), os.dup(1)
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.dup2(2, 1)  # what anybody prints goes to the file for noise, never between the messages
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _end_with_parent()
    inbox: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_hear, args=(inward, inbox), daemon=True).start()
    memory_bytes, work = pickle.loads(inbox.get())  # noqa: S301  # from our own parent
    _limit_resources(memory_bytes)
    try:
        job, prepare = pickle.loads(work)  # noqa: S301  # from our own parent
        if prepare is not None:
            prepare()
    except BaseException as error:
        _write_message(outward, pickle.dumps(("broken", described(error))))
        os._exit(1)
    _write_message(outward, pickle.dumps(("ready", None)))
    while True:
        deadline_s, payload = pickle.loads(inbox.get())  # noqa: S301  # from our own parent
        _limit_cpu(deadline_s)
        _write_message(outward, _answer(job, payload))


def _hear(inward: int, inbox: "queue.SimpleQueue[bytes]") -> None:
    """Thread: take in tasks; when the pipe ends, the parent is gone and so is this process."""
    try:
        while True:
            inbox.put(_read_message(inward))
    except BaseException:
        os._exit(1)


def _answer(job: Callable[[Any], Any], payload: bytes) -> bytes:
    """Do one task; the message that says what came of it."""
    try:
        return pickle.dumps(("value", job(pickle.loads(payload))))  # noqa: S301  # our own parent
    except MemoryError:
        return pickle.dumps(("memory", None))
    except BaseException as error:
        return pickle.dumps(("raised", described(error)))
    finally:
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.flush()


def _end_with_parent() -> None:
    """Ask Linux to kill this process when its parent dies.

    The thread that waits for the end of the pipe does it on all systems, but not while C code holds
    the interpreter's lock.
    """
    if sys.platform == "linux":
        import ctypes  # in the worker alone, and on Linux

        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)


def _limit_resources(memory_bytes: int | None) -> None:
    """Set what holds for the life of the worker, where the system knows such limits."""
    if sys.platform != "win32":
        _lower(resource.RLIMIT_CORE, 0)
        _lower(resource.RLIMIT_FSIZE, MAX_FILE_BYTES)
        if memory_bytes is not None:
            _lower(resource.RLIMIT_AS, memory_bytes)


def _limit_cpu(deadline_s: float) -> None:
    """End a hang that neither the parent nor the listening thread can end."""
    if sys.platform != "win32":
        _lower(resource.RLIMIT_CPU, int(time.process_time() + deadline_s) + CPU_GRACE_S)


if sys.platform != "win32":

    def _lower(limit: int, value: int) -> None:
        """Set the soft limit, within the hard one; systems that refuse go without."""
        with contextlib.suppress(OSError, ValueError):
            _, hard = resource.getrlimit(limit)
            within = value if hard == resource.RLIM_INFINITY else min(value, hard)
            resource.setrlimit(limit, (within, hard))
