"""Frames go out to a scheduler of dask, answers come in.

Only so many frames are on their way that no worker runs dry; the rest waits here, so a run of any
length is no load for the scheduler. Dask gives the frames of a lost worker to another one. A worker
that has another version of this program is left out, with a warning.
"""

import asyncio
import contextlib
import importlib.util
import logging
import queue
import re
import socket
import time
import uuid
from collections import Counter, deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

from audit.cluster.messages import Answer, Order, decoded, encoded, make_here
from audit.cluster.site import measured_if_same
from audit.errors import ClusterError, SettingsError
from audit.records import Frame, Reading, Unread
from audit.workers import Failure, Task, WorkerLimits, described, packed

if TYPE_CHECKING:
    from distributed import Client, Future

Outcome = Reading | Unread | Failure

FRAMES_PER_PLACE = 2
"""On their way for each place where one can be measured: one at work, one at hand."""

CONNECT_S = 10.0
"""Patience with a scheduler that does not answer (guess)."""

NO_WORKER_S = 60.0
"""Patience while there is no worker: one that is started anew is back by then (guess)."""

LOOK_S = 1.0
"""Between two looks at the workers."""

FETCH_S = 30.0
"""For an answer of some 50 kB to travel (guess)."""

SLICE_S = 0.5
"""Longest wait without a look at the connection."""

CLOSE_S = 2.0
"""For saying goodbye."""

TRIES = 3
"""Of one frame, beside those that dask makes by itself when workers are lost."""

BAD_ANSWERS = 3
"""In a row, and no good one before: something is wrong with the cluster, not with a frame."""

NOISY = ("distributed", "distributed.client", "distributed.core", "distributed.comm", "tornado")
"""Loggers of dask, with levels of their own."""


def checked_address(text: str) -> str:
    """Address of a scheduler in full: ``tcp://`` is added where nothing is said.

    Raises
    ------
    SettingsError
        If it is no address, or what the extra ``cluster`` brings is not installed.
    """
    match = re.fullmatch(r"(?:(tcp|tls)://)?(\[[0-9a-fA-F:.]+\]|[\w.-]+):(\d{1,5})", text)
    if match is None or not 0 < int(match[3]) < 1 << 16:
        raise SettingsError(
            "--cluster: expected the address of a scheduler such as 192.168.1.5:8786 or"
            f" tls://workshop:8786, found {text!r}"
        )
    if importlib.util.find_spec("distributed") is None:
        raise SettingsError(
            "--cluster: expected the package distributed, found none;"
            " install it with: pip install 'frame-audit[cluster]'"
        )
    return f"{match[1] or 'tcp'}://{match[2]}:{match[3]}"


def run_on_cluster(
    tasks: Sequence[Task[Frame]],
    job: Callable[[Frame], Reading | Unread],
    *,
    address: str,
    jobs: int | None,
    limits: WorkerLimits,
    prepare: Callable[[], object] | None = None,
    warn: Callable[[str], None],
) -> Generator[tuple[int, Outcome], None, None]:
    """Run a job on each frame, like `audit.workers.run_tasks`, on the workers of a scheduler.

    Parameters
    ----------
    tasks, job, limits, prepare
        As for `run_tasks`.
    address : str
        From `checked_address`.
    jobs : int or None
        Frames on their way at a time; ``None``: as many as keep all workers busy.
    warn : callable
        Gets a sentence for a worker that is left out, or has other libraries.

    Yields
    ------
    index, outcome : int, Reading, Unread or Failure
        In order of completion; each task exactly once. Close the generator to stop early: what is
        on its way is then called off.

    Raises
    ------
    ClusterError
        If there is no scheduler, it is lost, or no worker can take a frame.
    """
    if not tasks:
        return
    work = packed(partial(measured_if_same, job=job), prepare)

    def order(task: Task[Frame]) -> bytes:
        message = Order(
            make=make_here(),
            work=work,
            limits=limits,
            frame=task.payload,
            deadline_s=task.deadline_s,
        )
        return encoded(message)

    with _connected(address) as client:
        yield from _Dispatch(client, address, tasks, order, jobs, warn).outcomes()


# ---------------------------------------------------------------- the connection


@contextlib.contextmanager
def _connected(address: str) -> "Iterator[Client]":
    """Connect to a scheduler; what is on its way when the context ends is called off.

    Raises
    ------
    ClusterError
        If no scheduler answers.
    """
    from distributed import Client

    with _quiet():
        _ask_who_is_there(address)
        try:
            client = Client(address, timeout=CONNECT_S, set_as_default=False, name="frame-audit")
        except Exception as error:
            raise ClusterError(_nobody(address, error)) from error
        try:
            yield client
        finally:
            with contextlib.suppress(Exception):
                client.cancel(list(client.futures), force=True)
            with contextlib.suppress(Exception):
                client.close(timeout=CLOSE_S)


def _ask_who_is_there(address: str) -> None:
    """See that a scheduler answers, by one question.

    Raises
    ------
    ClusterError
        If none does, or something else.
    """
    from distributed.core import rpc
    from distributed.security import Security

    async def ask() -> Any:
        arguments = Security().get_connection_args("client")
        async with rpc(address, timeout=CONNECT_S, connection_args=arguments) as there:
            return await asyncio.wait_for(there.identity(), CONNECT_S + LOOK_S)

    host, _, port = address.partition("://")[2].rpartition(":")
    try:
        # Dask tries again and again where nobody listens, and then tells only that time is up.
        socket.create_connection((host.strip("[]"), int(port)), CONNECT_S).close()
        # In a thread, since the caller may have an event loop of its own: a notebook, for instance.
        with ThreadPoolExecutor(1) as thread:
            found = thread.submit(lambda: asyncio.run(ask())).result()
    except Exception as error:
        raise ClusterError(_nobody(address, error)) from error
    if found.get("type") != "Scheduler":
        raise ClusterError(f"{address}: expected a dask scheduler, found a {found.get('type')}")


def _nobody(address: str, error: BaseException) -> str:
    """No scheduler answers, and the reason at the root of an error."""
    while error.__cause__ is not None:
        error = error.__cause__
    why = getattr(error, "strerror", None) or described(error)
    if isinstance(error, asyncio.CancelledError | TimeoutError):
        why = f"no answer within {CONNECT_S:.0f} s"
    return (
        f"{address}: expected a dask scheduler, found none ({why}); start one with: dask scheduler"
    )


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep dask's own log off the terminal: what it has to say, this module says."""
    import distributed  # noqa: F401  # sets its levels when it is loaded

    loggers = [logging.getLogger(name) for name in NOISY]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


# ---------------------------------------------------------------- frames out, answers in


class _Sent(NamedTuple):
    """A frame on its way."""

    task: int
    future: "Future"


class _Dispatch:
    """One run: which frames wait, which are on their way, who takes them."""

    def __init__(
        self,
        client: "Client",
        address: str,
        tasks: Sequence[Task[Frame]],
        order: Callable[[Task[Frame]], bytes],
        jobs: int | None,
        warn: Callable[[str], None],
    ) -> None:
        self._client = client
        self._address = address
        self._tasks = tasks
        self._order = order
        self._launch = _launcher()
        self._jobs = jobs
        self._warn = warn
        self._waiting = deque(range(len(tasks)))
        self._sent: dict[str, _Sent] = {}
        self._inbox: queue.SimpleQueue[Future] = queue.SimpleQueue()
        self._tries: Counter[int] = Counter()
        self._workers = _Workers(client, address, warn)
        self._has_answer = False
        self._bad_answers = 0

    def outcomes(self) -> Iterator[tuple[int, Outcome]]:
        """Each frame once, as it is done."""
        while self._waiting or self._sent:
            self._workers.look()
            self._send()
            try:
                future = self._inbox.get(timeout=SLICE_S)
            except queue.Empty:
                continue
            sent = self._sent.pop(future.key, None)
            if sent is not None:
                outcome = self._settled(sent)
                if outcome is not None:
                    yield sent.task, outcome

    def _send(self) -> None:
        """Keep as many frames on their way as it takes."""
        room = self._workers.places * FRAMES_PER_PLACE
        if self._jobs is not None:
            room = min(room, self._jobs)
        while self._waiting and len(self._sent) < room:
            task = self._waiting.popleft()
            self._tries[task] += 1
            future = self._client.submit(
                self._launch,
                self._order(self._tasks[task]),
                key=f"frame-audit-{uuid.uuid4().hex}",
                workers=self._workers.preferred,
                # The preferred ones may be gone by then; any other says itself if it is unfit.
                allow_other_workers=self._workers.preferred is not None,
                pure=False,
            )
            self._await(_Sent(task, future))

    def _await(self, sent: _Sent) -> None:
        self._sent[sent.future.key] = sent
        sent.future.add_done_callback(self._inbox.put)

    def _settled(self, sent: _Sent) -> Outcome | None:
        """Take in what came of a frame; ``None`` if it goes out again."""
        from distributed.scheduler import KilledWorker

        try:
            worker, refusal, message = sent.future.result(timeout=FETCH_S)
        except KilledWorker as error:
            return self._failed(sent.task, f"{error.allowed_failures + 1} workers lost with it")
        except TimeoutError:
            # Its worker was lost before the answer was fetched: dask has it measured again.
            self._await(sent)
            return None
        except Exception as error:
            self._workers.look(at_once=True)
            return self._missed(sent.task, described(error))
        answer = Answer(refusal=refusal) if refusal else decoded(message)
        if answer.outcome is None:
            self._workers.leave_out(worker, answer.refusal or "")
            self._tries[sent.task] -= 1
            self._waiting.appendleft(sent.task)
            return None
        self._has_answer = True
        if answer.other_libraries:
            self._workers.note_libraries(worker, answer.other_libraries)
        return answer.outcome

    def _missed(self, task: int, why: str) -> Outcome | None:
        """An answer that did not come through: the frame goes out again, after all others."""
        self._bad_answers += 1
        if not self._has_answer and self._bad_answers >= BAD_ANSWERS:
            raise ClusterError(f"{self._address}: expected answers of its workers, found: {why}")
        if self._tries[task] >= TRIES:
            return self._failed(task, why)
        self._waiting.append(task)
        return None

    def _failed(self, task: int, why: str) -> Failure:
        name = self._tasks[task].name
        message = f"{name}: expected an answer of the cluster, found: {why}"
        return Failure(state="crashed", message=message)


class _Workers:
    """Who can take a frame."""

    def __init__(self, client: "Client", address: str, warn: Callable[[str], None]) -> None:
        self._client = client
        self._address = address
        self._warn = warn
        self._threads: dict[str, int] = {}
        """By address, of those that are fit."""
        self._left_out: dict[str, str] = {}
        self._libraries_noted: set[str] = set()
        self._last_look = float("-inf")
        self._last_seen = time.monotonic()

    @property
    def places(self) -> int:
        """Frames that can be measured at a time."""
        return sum(self._threads.values())

    @property
    def preferred(self) -> list[str] | None:
        """Whom frames are sent to; ``None``: anybody."""
        return list(self._threads) if self._left_out else None

    def look(self, *, at_once: bool = False) -> None:
        """See who is there.

        Raises
        ------
        ClusterError
            If the scheduler is lost, or there was nobody to take a frame for too long.
        """
        if self._client.status != "running":
            raise ClusterError(f"{self._address}: the connection to the scheduler was lost")
        now = time.monotonic()
        if now - self._last_look < LOOK_S and not at_once:
            return
        self._last_look = now
        try:
            there = self._client.nthreads()
        except Exception as error:
            raise ClusterError(
                f"{self._address}: the connection to the scheduler was lost: {described(error)}"
            ) from error
        self._threads = {name: n for name, n in there.items() if name not in self._left_out}
        if self._threads:
            self._last_seen = now
        elif there:
            raise ClusterError(self._none_is_fit())
        elif now - self._last_seen > NO_WORKER_S:
            raise ClusterError(
                f"{self._address}: expected a worker, found none for {NO_WORKER_S:.0f} s;"
                f" start one with: dask worker {self._address}"
            )

    def leave_out(self, worker: str, reason: str) -> None:
        """Send no more frames to a worker."""
        if worker in self._left_out:
            return
        self._left_out[worker] = reason
        self._threads.pop(worker, None)
        if not self._threads:
            raise ClusterError(self._none_is_fit())
        self._warn(f"worker {worker} is left out: {reason}")

    def note_libraries(self, worker: str, libraries: str) -> None:
        """Warn once of a worker whose readings may differ in their last digits."""
        if worker not in self._libraries_noted:
            self._libraries_noted.add(worker)
            self._warn(
                f"worker {worker} has {libraries}: its readings may differ from a local run's"
                " in their last digits"
            )

    def _none_is_fit(self) -> str:
        worker, reason = next(reversed(self._left_out.items()))
        return f"{self._address}: expected a worker that fits, found none; {worker}: {reason}"


def _launcher() -> Callable[[bytes], tuple[str, str, bytes]]:
    """What dask is given to run: inner functions travel as code, not as a name to be imported.

    So a worker without this program can say so itself.
    """

    def launch(message: bytes) -> tuple[str, str, bytes]:
        from distributed import get_worker

        address = get_worker().address
        try:
            from audit.cluster.site import serve
        except ImportError as error:
            return address, f"expected frame-audit, found none: {error}", b""
        return address, "", serve(message)

    return launch
