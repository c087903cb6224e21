"""Supervised workers, with real processes and planted faults: each costs its own task alone."""

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))  # the workers find the planted jobs by this path, too

import planted_faults

from audit import workers
from audit.errors import AuditError
from audit.workers import Failure, Task, WorkerLimits, run_tasks

ROOT = Path(__file__).parents[1]
LIMITS = WorkerLimits(memory_bytes=3_000_000_000)
needs_linux = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc, or uses prctl")
needs_posix = pytest.mark.skipif(os.name != "posix", reason="signals and limits of POSIX")


def tasks_of(orders: Sequence[str], deadline_s: float = 60.0) -> list[Task[str]]:
    return [Task(payload=order, name=f"<{order}>", deadline_s=deadline_s) for order in orders]


def run_orders(
    orders: Sequence[str],
    *,
    jobs: int = 2,
    deadline_s: float = 60.0,
    limits: WorkerLimits = LIMITS,
) -> list[object]:
    """Results in the order of the orders; fails if one came twice or not at all."""
    tasks = tasks_of(orders, deadline_s)
    done = list(run_tasks(tasks, planted_faults.misbehave, jobs=jobs, limits=limits))

    assert sorted(index for index, _ in done) == list(range(len(orders)))
    return [result for _, result in sorted(done, key=lambda pair: pair[0])]


def failure(result: object) -> Failure:
    assert isinstance(result, Failure)
    return result


def is_alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def wait_until(truth: Callable[[], bool], *, at_most_s: float) -> bool:
    give_up = time.monotonic() + at_most_s
    while time.monotonic() < give_up:
        if truth():
            return True
        time.sleep(0.02)
    return truth()


@needs_posix
def test_every_fault_at_once_costs_exactly_its_own_task() -> None:
    """All kinds of fault among sound tasks: each is named by what it did, all else arrives."""
    states = {
        "segfault": "crashed",
        "exit 3": "crashed",
        "leave 4": "crashed",
        "hang": "timed-out",
        "raise some text": "crashed",
        "raise-unpicklable": "crashed",
        "raise-unspeakable": "crashed",
        "return-unpicklable": "crashed",
        "allocate 9000": "too-large",
    }
    orders = []
    for number, fault in enumerate(states):
        orders += [f"ok {number}a", fault, f"ok {number}b"]

    results = dict(zip(orders, run_orders(orders, deadline_s=2.0), strict=True))

    for order, result in results.items():
        if order.startswith("ok"):
            assert result == f"done {order[3:]}"
        else:
            assert failure(result).state == states[order], order
            assert failure(result).message.startswith(f"<{order}>: ")


@needs_posix
@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("segfault", "SIGSEGV"),
        ("exit 3", "exit code 3"),
        ("raise some text", "ValueError: some text"),
        ("raise-unpicklable", "UnpicklableError: holds a lock"),
        ("raise-unspeakable", "UnspeakableError"),
        ("return-unpicklable", "cannot pickle"),
        ("allocate 9000", "3.0 GB"),
    ],
)
def test_message_says_what_happened(order: str, words: str) -> None:
    assert words in failure(run_orders([order])[0]).message


def test_first_line_of_a_c_library_is_in_the_message_and_not_on_the_terminal(
    capfd: pytest.CaptureFixture[str],
) -> None:
    sound, dead = run_orders(["noise on the way", "noisy-death bad strip"], jobs=1)

    assert sound == "on the way"
    assert failure(dead).message.endswith("; it said: C library: bad strip")
    assert capfd.readouterr() == ("", "")


def test_noise_of_one_task_is_not_laid_at_the_next_ones_door() -> None:
    _, quiet = run_orders(["noise chatter", "raise some text"], jobs=1)

    assert "chatter" not in failure(quiet).message


@needs_posix
def test_endless_noise_fills_no_disk() -> None:
    """100 MB to stderr meet the limit on file size; the next task is untouched."""
    babble, after = run_orders(["babble 100", "ok"], jobs=1)

    assert "File too large" in failure(babble).message
    assert after == "done "


def test_second_try_in_a_fresh_worker(tmp_path: Path) -> None:
    assert run_orders([f"die-once {tmp_path / 'marker'}"]) == ["second try"]


def test_second_try_comes_after_all_others(tmp_path: Path) -> None:
    tasks = tasks_of([f"die-once {tmp_path / 'marker'}", *(f"ok {n}" for n in range(8))])

    order = [i for i, _ in run_tasks(tasks, planted_faults.misbehave, jobs=1, limits=LIMITS)]

    assert order[-1] == 0


def test_one_task_runs_in_a_process_of_its_own() -> None:
    assert run_orders(["pid"], jobs=1)[0] != os.getpid()


def test_workers_use_one_thread_each() -> None:
    assert run_orders(["environment OMP_NUM_THREADS"], jobs=1) == ["1"]


def test_workers_keep_memory_whatever_their_parent_was_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What dask sets for its own workers makes a frame take twice as long."""
    monkeypatch.setenv("MALLOC_TRIM_THRESHOLD_", "65536")

    (found,) = run_orders(["environment MALLOC_TRIM_THRESHOLD_"], jobs=1)

    assert found == workers.KEEPS_MEMORY["MALLOC_TRIM_THRESHOLD_"]


def test_worker_is_replaced_after_its_share_of_tasks() -> None:
    limits = WorkerLimits(memory_bytes=None, tasks_per_worker=3)

    pids = run_orders(["pid"] * 7, jobs=1, limits=limits)

    assert [pids.count(pid) for pid in dict.fromkeys(pids)] == [3, 3, 1]


def test_crew_keeps_its_worker_between_tasks_and_time_between_them_is_not_lent() -> None:
    """Two calls, one process; idle time does not put a deadline off."""
    crew = workers.Crew(workers.packed(planted_faults.misbehave, None), LIMITS)
    with contextlib.closing(crew):
        first = list(crew.results(tasks_of(["pid"]), 1))
        again = list(crew.results(tasks_of(["pid"]), 1))
        crew._last_look -= 3600.0
        ((_, late),) = crew.results(tasks_of(["sleep 3"], deadline_s=0.5), 1)

    assert first == again
    assert failure(late).state == "timed-out"


def test_no_task_starts_no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "_Worker", None)

    assert list(run_tasks([], planted_faults.misbehave, jobs=2, limits=LIMITS)) == []


def test_never_more_workers_than_tasks(monkeypatch: pytest.MonkeyPatch) -> None:
    started = []

    class Counted(workers._Worker):
        def __init__(self, *arguments: object) -> None:
            started.append(1)
            super().__init__(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(workers, "_Worker", Counted)

    run_orders(["ok", "ok"], jobs=8)

    assert len(started) == 2


def test_outcome_does_not_depend_on_how_many_work() -> None:
    orders = [f"ok {n}" for n in range(20)]

    assert run_orders(orders, jobs=1) == run_orders(orders, jobs=4)


def test_workers_that_cannot_start_stop_the_run_with_their_reason() -> None:
    outcomes = run_tasks(
        tasks_of(["ok"]),
        planted_faults.misbehave,
        jobs=2,
        limits=LIMITS,
        prepare=planted_faults.refuse_to_start,
    )

    with pytest.raises(AuditError, match="ImportError: the decoder is not installed"):
        next(outcomes)


@needs_linux
def test_closing_early_leaves_no_worker() -> None:
    tasks = tasks_of(["pid", "hang", "hang-in-c"])
    others = set(children_of(os.getpid()))
    outcomes = run_tasks(tasks, planted_faults.misbehave, jobs=3, limits=LIMITS)
    next(outcomes)
    children = [child for child in children_of(os.getpid()) if child not in others]

    outcomes.close()

    assert len(children) == 3
    assert not any(is_alive(pid) for pid in children)


@needs_linux
def test_workers_killed_from_outside_cost_nothing() -> None:
    """SIGKILL to a worker now and then, as the kernel does when memory runs out."""
    killed = 0
    stop = threading.Event()

    def snipe() -> None:
        nonlocal killed
        while not stop.wait(0.4) and killed < 3:
            for pid in children_of(os.getpid())[:1]:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
                    killed += 1

    sniper = threading.Thread(target=snipe)
    sniper.start()
    try:
        results = run_orders([f"sleep 0.0{n}" for n in range(1, 10)] * 10)
    finally:
        stop.set()
        sniper.join()

    assert killed
    assert results == [f"0.0{n}" for n in range(1, 10)] * 10


PARENT = f"""
import os, sys
sys.path[:0] = [{str(ROOT)!r}, {str(Path(__file__).parent)!r}]
import planted_faults
from audit.workers import Task, WorkerLimits, run_tasks
tasks = [Task(payload=order, name=order, deadline_s=60.0) for order in sys.argv[1:]]
limits = WorkerLimits(memory_bytes=None)
try:
    for index, result in run_tasks(tasks, planted_faults.misbehave, jobs=4, limits=limits):
        print(index, result, flush=True)
except KeyboardInterrupt:
    print("stopped", flush=True)
"""


def start_parent(*orders: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-c", PARENT, *orders], stdout=subprocess.PIPE, text=True
    )


def children_of(pid: int) -> list[int]:
    listed = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(child) for file in listed for child in file.read_text().split()]


@needs_linux
def test_no_worker_outlives_a_killed_parent() -> None:
    """Idle, asleep, spinning in C, and asleep in C with the interpreter's lock held."""
    with start_parent("ok", "hang", "spin", "hang-in-c") as parent:
        assert parent.stdout is not None
        assert parent.stdout.readline() == "0 done \n"
        children = children_of(parent.pid)
        wait_until(lambda: False, at_most_s=0.3)
        alive_before = [is_alive(pid) for pid in children]

        parent.kill()

        assert alive_before == [True] * 4
        assert wait_until(lambda: not any(map(is_alive, children)), at_most_s=2.0)


@needs_linux
def test_guard_thread_alone_ends_a_hung_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the kernel does not tie a process to its parent, the end of the pipe does."""
    monkeypatch.setitem(globals(), "PARENT", PARENT.replace("import os, sys", NO_PRCTL))
    with start_parent("ok", "hang") as parent:
        assert parent.stdout is not None
        assert parent.stdout.readline() == "0 done \n"
        children = children_of(parent.pid)

        parent.kill()

        assert len(children) == 2
        assert wait_until(lambda: not any(map(is_alive, children)), at_most_s=2.0)


NO_PRCTL = """
import os, sys
import audit.workers
audit.workers._command_before = audit.workers._command
def unguarded():
    command = audit.workers._command_before()
    command[-1] = command[-1].replace("import serve;", "import serve; import audit.workers;"
        " audit.workers._end_with_parent = lambda: None;")
    return command
audit.workers._command = unguarded
"""


@needs_linux
def test_ctrl_c_stops_at_once_and_keeps_what_is_done() -> None:
    """SIGINT to the whole foreground group, as a terminal sends it."""
    with subprocess.Popen(
        [sys.executable, "-c", PARENT, "ok 1", "hang", "hang-in-c"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as parent:
        assert parent.stdout is not None
        assert parent.stdout.readline() == "0 done 1\n"
        children = children_of(parent.pid)

        os.killpg(parent.pid, signal.SIGINT)
        said, errors = parent.communicate(timeout=10)

        assert said == "stopped\n"
        assert errors == ""
        assert children
        assert not any(is_alive(pid) for pid in children)


@needs_linux
def test_time_asleep_does_not_count_against_a_task(tmp_path: Path) -> None:
    """A group stopped (Ctrl-Z, a closed lid) for longer than the deadline finds its task alive."""
    marker = tmp_path / "marker"
    program = PARENT.replace("deadline_s=60.0", "deadline_s=2.5").replace(
        "import planted_faults", "import planted_faults, audit.workers as w; w.SUSPENDED_S = 1.0"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, f"sleep-once {marker}"],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as parent:
        assert wait_until(marker.exists, at_most_s=20)
        os.killpg(parent.pid, signal.SIGSTOP)
        time.sleep(3.0)
        os.killpg(parent.pid, signal.SIGCONT)
        rest = parent.communicate(timeout=20)[0]

        assert rest == "0 first try\n"


@needs_linux
def test_nothing_but_workers_is_started() -> None:
    """No tracker, no server process beside the workers; all run the same short command."""
    before = set(children_of(os.getpid()))  # a browser of other tests, for instance
    tasks = tasks_of(["pid", "pid", "hang"])
    outcomes = run_tasks(tasks, planted_faults.misbehave, jobs=3, limits=LIMITS)
    first = next(outcomes)[1]
    children = [pid for pid in children_of(os.getpid()) if pid not in before]
    commands = {Path(f"/proc/{pid}/cmdline").read_bytes() for pid in children}
    outcomes.close()

    assert first in children
    assert len(children) == 3
    assert len(commands) == 1


@needs_linux
def test_code_of_the_photographers_folder_is_never_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file on the card that is called like a module stays a file."""
    trap = "import os; os._exit(99)"
    (tmp_path / "pickle.py").write_text(trap)
    (tmp_path / "msgspec.py").write_text(trap)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", [path for path in sys.path if path])
    monkeypatch.syspath_prepend(str(ROOT))

    assert run_orders(["ok"]) == ["done "]
