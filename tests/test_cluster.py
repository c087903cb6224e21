"""A scheduler of dask and its workers, on the loopback: as a local run, whatever is lost."""

import asyncio
import contextlib
import importlib.util
import json
import logging
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import msgspec
import pytest

sys.path.append(str(Path(__file__).parent))  # the workers find the planted job by this path, too

import planted_examine

from audit import cli, measuring, run
from audit.cluster import checked_address, client, run_on_cluster, site
from audit.cluster.messages import make_here
from audit.errors import ClusterError, SettingsError
from audit.records import Frame, Report, Unread
from audit.scan import scan
from audit.settings import Settings
from audit.store import FILE_NAME
from audit.workers import Task, WorkerLimits

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_data" / "day-2-skarrow-moor" / "compact"

needs_dask = pytest.mark.skipif(
    importlib.util.find_spec("distributed") is None,
    reason="the package distributed is not installed: pip install 'frame-audit[cluster]'",
)
needs_posix = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")


@pytest.fixture(name="log")
def log_fixture(tmp_path: Path) -> Path:
    """Where planted jobs leave the name of their file."""
    return tmp_path / "measured"


@pytest.fixture(autouse=True)
def soon_idle_fixture(monkeypatch: pytest.MonkeyPatch) -> None:
    """No supervised process waits long for frames of the next test."""
    monkeypatch.setattr(site, "IDLE_S", 0.2)


@pytest.fixture(name="card")
def card_fixture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, log: Path) -> Path:
    """Folder of planted files."""
    monkeypatch.setattr(measuring, "examined", planted_examine.examine)
    monkeypatch.setattr(measuring, "load", planted_examine.load)
    monkeypatch.setenv(planted_examine.LOG, str(log))
    card = tmp_path / "card"
    card.mkdir()
    return card


@contextlib.contextmanager
def workers_of_dask(count: int, *, processes: bool = False) -> Iterator[Any]:
    """A scheduler with workers that listen on the loopback alone; in this process or their own."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=count,
        threads_per_worker=1,
        processes=processes,
        protocol="tcp",
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",  # it always serves one
        silence_logs=logging.CRITICAL,
    ) as cluster:
        yield cluster


def plant(card: Path, **contents: str) -> None:
    for name, content in contents.items():
        (card / f"{name}.jpg").write_bytes(planted_examine.HEAD + content.encode())


def check(
    folder: Path,
    cache: Path,
    cluster: Any | None,
    warn: Callable[[str], None] = pytest.fail,
) -> Report:
    address = None if cluster is None else cluster.scheduler_address
    settings = Settings(cache=cache, jobs=2, cluster=address)
    return run.check([folder], settings, warn=warn)


def stored(cache: Path) -> list[tuple[Any, ...]]:
    """Everything that the store holds of readings and pictures."""
    with contextlib.closing(sqlite3.connect(cache / FILE_NAME)) as database:
        return [
            *database.execute("SELECT path, digest, reading FROM readings ORDER BY path"),
            *database.execute(
                "SELECT path, name, picture FROM pictures JOIN readings ON reading_id = id"
                " ORDER BY path, name"
            ),
        ]


def wait_until(truth: Callable[[], bool]) -> None:
    give_up = time.monotonic() + 30
    while not truth() and time.monotonic() < give_up:
        time.sleep(0.02)


def has_begun(log: Path, name: str) -> bool:
    return log.exists() and name in log.read_text().split()


# ---------------------------------------------------------------- as a local run


@needs_dask
@needs_posix
def test_report_and_store_are_those_of_a_local_run_even_if_a_worker_is_killed(
    card: Path, log: Path, tmp_path: Path
) -> None:
    """SIGKILL to a process of dask with a frame at work: another one measures that frame."""
    plant(card, **{f"a{n}": f"sharp 1.{n}" for n in range(5)}, slow=f"once {tmp_path / 'marker'}")
    with workers_of_dask(2, processes=True) as cluster:
        killer = threading.Thread(target=kill_who_measures, args=(cluster, log, "slow.jpg"))
        killer.start()
        there = check(card, tmp_path / "there", cluster)
        killer.join()

    assert log.read_text().split().count("slow.jpg") == 2
    local = check(card, tmp_path / "local", None)
    assert msgspec.json.encode(there) == msgspec.json.encode(local)
    assert stored(tmp_path / "there") == stored(tmp_path / "local")
    assert there.counts.measured == 6


def kill_who_measures(cluster: Any, log: Path, name: str) -> None:
    """Kill the process of dask that has a frame when the others are done."""
    from distributed import Client

    wait_until(lambda: has_begun(log, name) and len(log.read_text().split()) == 6)
    with Client(cluster.scheduler_address, set_as_default=False) as client:
        busy = [worker for worker, keys in client.processing().items() if keys]
        pids = client.run(os.getpid, workers=busy)
    for pid in pids.values():
        os.kill(pid, signal.SIGKILL)


@needs_dask
def test_frames_really_measured_are_the_same_byte_for_byte(tmp_path: Path) -> None:
    card = tmp_path / "card"
    card.mkdir()
    for sample in sorted(SAMPLES.glob("QM_003[12].*")):
        shutil.copy2(sample, card)
    with workers_of_dask(2) as cluster:
        there = check(card, tmp_path / "there", cluster)

    local = check(card, tmp_path / "local", None)
    assert msgspec.json.encode(there) == msgspec.json.encode(local)
    assert stored(tmp_path / "there") == stored(tmp_path / "local")
    assert there.counts.measured == 2


@needs_dask
def test_bad_files_cost_what_they_cost_in_a_local_run(card: Path, tmp_path: Path) -> None:
    """A file that kills its process harms no other frame, and its row says the same."""
    plant(card, a="sharp 1.5", b="crash", c="damaged", d="sharp 2", e="crash", f="sharp 3")

    with workers_of_dask(2) as cluster:
        there = check(card, tmp_path / "there", cluster)

    assert msgspec.json.encode(there) == msgspec.json.encode(check(card, tmp_path / "local", None))
    assert (there.counts.measured, there.counts.unread) == (3, 3)


@needs_dask
def test_a_supervised_process_serves_frame_after_frame_and_ends_when_idle() -> None:
    frames = scan([SAMPLES]).frames
    tasks = [Task(payload=frame, name=frame.file, deadline_s=60.0) for frame in frames]

    with workers_of_dask(1) as cluster:
        done = dict(
            run_on_cluster(
                tasks,
                process_of,
                address=cluster.scheduler_address,
                jobs=None,
                limits=WorkerLimits(memory_bytes=None),
                warn=pytest.fail,
            )
        )
        messages_of = {outcome.message for outcome in done.values() if isinstance(outcome, Unread)}
        wait_until(lambda: not site._bench._idle)

    assert sorted(done) == list(range(len(frames)))
    assert len(messages_of) == 1
    assert site._bench._idle == []


def process_of(_: Frame) -> Unread:
    """Job that tells its process."""
    return Unread(state="unreadable", code="unreadable", message=str(os.getpid()))


# ---------------------------------------------------------------- what does not fit


@needs_dask
def test_a_scheduler_lost_on_the_way_leaves_a_report_of_what_came(
    card: Path, tmp_path: Path
) -> None:
    """SIGKILL to the scheduler when two of three frames have come."""
    plant(card, a="sharp 1.5", b="sharp 2", z="wait")
    warnings: list[str] = []
    with processes_of_dask(tmp_path / "scheduler.json") as (scheduler, address):
        settings = Settings(cache=tmp_path / "there", cluster=address)
        end = KillAfter(scheduler, 2)
        report = run.check([card], settings, progress=end, warn=warnings.append)

    assert report.interrupted
    assert {row.file for row in report.frames} == {"a.jpg", "b.jpg"}
    assert [(each.file, each.reason) for each in report.skipped] == [("z.jpg", run.NOT_MEASURED)]
    assert len(warnings) == 1
    assert "connection to the scheduler was lost" in warnings[0]
    assert len(stored(tmp_path / "there")) == 4  # two readings, each with one picture


class KillAfter:
    """Progress that ends a process when so many frames are done."""

    def __init__(self, process: "subprocess.Popen[bytes]", count: int) -> None:
        self._process = process
        self._left = count

    def start(self, total: int) -> None:
        assert total > self._left

    def advance(self, _: str) -> None:
        self._left -= 1
        if self._left == 0:
            self._process.kill()

    def finish(self) -> None:
        pass


@contextlib.contextmanager
def processes_of_dask(
    meeting_point: Path,
) -> "Iterator[tuple[subprocess.Popen[bytes], str]]":
    """A scheduler and one worker, each started by its own command, as the docs say."""
    started = []

    def start(*words: str) -> "subprocess.Popen[bytes]":
        command = [sys.executable, "-m", *words, "--host", "127.0.0.1", "--no-dashboard"]
        paths = os.pathsep.join((str(ROOT), str(Path(__file__).parent)))
        process = subprocess.Popen(
            command, stderr=subprocess.DEVNULL, env=os.environ | {"PYTHONPATH": paths}
        )
        started.append(process)
        return process

    try:
        scheduler = start(
            "distributed.cli.dask_scheduler", "--port", "0", "--scheduler-file", str(meeting_point)
        )
        wait_until(lambda: meeting_point.exists() and meeting_point.read_text().endswith("}"))
        address = json.loads(meeting_point.read_text())["address"]
        start("distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny")
        yield scheduler, address
    finally:
        for process in started:
            process.kill()
            process.wait()


@needs_dask
def test_workers_of_another_version_are_refused_by_name(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant(card, a="sharp 1.5")
    other = msgspec.structs.replace(make_here(), version="9.8.7", measures=654)
    monkeypatch.setattr(site, "make_here", lambda: other)

    with workers_of_dask(1) as cluster:
        worker = cluster.workers[0].worker_address
        with pytest.raises(ClusterError) as raised:
            check(card, tmp_path / "there", cluster)

    assert f"{worker}: expected {make_here()}, found {other}" in str(raised.value)


@needs_dask
def test_a_worker_that_does_not_fit_is_left_out_and_the_others_do_its_part(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which of two workers, in one process here, is told by its address."""
    from distributed import get_worker

    plant(card, **{f"a{n}": "sharp 1.5" for n in range(8)})
    warnings: list[str] = []
    with workers_of_dask(2) as cluster:
        unfit = cluster.workers[0].worker_address
        here = make_here()
        other = msgspec.structs.replace(here, measures=654)
        monkeypatch.setattr(
            site, "make_here", lambda: other if get_worker().address == unfit else here
        )
        report = check(card, tmp_path / "there", cluster, warnings.append)

    assert report.counts.measured == 8
    assert len(warnings) == 1
    assert unfit in warnings[0]
    assert "with measures 654" in warnings[0]


@needs_dask
def test_other_libraries_are_named_in_a_warning(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant(card, a="sharp 1.5", b="sharp 2")
    libraries = make_here().libraries | {"numpy": "1.2.3"}
    other = msgspec.structs.replace(make_here(), libraries=libraries)
    monkeypatch.setattr(site, "make_here", lambda: other)
    warnings: list[str] = []

    with workers_of_dask(1) as cluster:
        report = check(card, tmp_path / "there", cluster, warnings.append)

    assert report.counts.measured == 2
    assert len(warnings) == 1
    assert f"has numpy 1.2.3 instead of {make_here().libraries['numpy']}" in warnings[0]


@needs_dask
def test_a_scheduler_without_workers_is_not_waited_for_without_end(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant(card, a="sharp 1.5")
    monkeypatch.setattr(client, "NO_WORKER_S", 0.5)

    with (
        workers_of_dask(0) as cluster,
        pytest.raises(ClusterError, match=r"expected a worker, found none .*; start one with"),
    ):
        check(card, tmp_path / "there", cluster)


@needs_dask
def test_an_address_where_nobody_answers_is_named(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    plant(card, a="sharp 1.5")
    monkeypatch.setattr(client, "CONNECT_S", 0.5)
    with socket.socket() as taken:  # bound, and never listens
        taken.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{taken.getsockname()[1]}"

        code = cli.main(["check", str(card), "--cluster", address, "--cache", str(tmp_path)])

    assert code == cli.MISUSE
    expected = f"frame-audit: tcp://{address}: expected a dask scheduler, found none (Connection"
    assert capsys.readouterr().err.startswith(expected)


@needs_dask
@pytest.mark.parametrize("has_loop", [False, True], ids=["plain", "with an event loop"])
def test_a_worker_is_no_scheduler(card: Path, tmp_path: Path, has_loop: bool) -> None:
    """With an event loop of the caller's own too, as a notebook has one."""
    plant(card, a="sharp 1.5")

    def check() -> None:
        run.check([card], Settings(cache=tmp_path / "cache", cluster=address))

    async def check_from_a_loop() -> None:
        check()

    with workers_of_dask(1) as cluster:
        address = cluster.workers[0].worker_address
        call = (lambda: asyncio.run(check_from_a_loop())) if has_loop else check
        with ThreadPoolExecutor(1) as thread:
            done = thread.submit(call)
            with pytest.raises(ClusterError, match="expected a dask scheduler, found a Worker"):
                done.result()


def test_without_the_extra_the_message_says_what_to_install(
    card: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _: None)

    code = cli.main(["check", str(card), "--cluster", "127.0.0.1:8786"])

    assert code == cli.MISUSE
    assert "pip install 'frame-audit[cluster]'" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["", "workshop", "workshop:0", "a b:1", "ftp://a:1", ":8786"])
def test_what_is_no_address_is_refused(text: str) -> None:
    with pytest.raises(SettingsError, match="expected the address of a scheduler"):
        checked_address(text)


@needs_dask
@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("127.0.0.1:8786", "tcp://127.0.0.1:8786"),
        ("tls://workshop.local:8786", "tls://workshop.local:8786"),
        ("[::1]:8786", "tcp://[::1]:8786"),
    ],
)
def test_an_address_is_completed(text: str, address: str) -> None:
    assert checked_address(text) == address


# ---------------------------------------------------------------- the same file?


def frame_and_twin(tmp_path: Path) -> Frame:
    for name in ("a.dng", "a.jpg"):
        (tmp_path / name).write_bytes(b"12345")
    times = [(tmp_path / name).stat().st_mtime_ns for name in ("a.dng", "a.jpg")]
    return Frame(
        file="a.dng",
        path=os.fsencode(tmp_path / "a.dng"),
        companions=("a.jpg",),
        companion_paths=(os.fsencode(tmp_path / "a.jpg"),),
        companion_mtimes_ns=(times[1],),
        format="dng",
        size_bytes=5,
        mtime_ns=times[0],
    )


def test_the_same_files_are_measured(tmp_path: Path) -> None:
    frame = frame_and_twin(tmp_path)

    assert site.measured_if_same(frame, process_of) == process_of(frame)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda folder: (folder / "a.dng").unlink(), "a.dng; found: No such file or directory"),
        (lambda folder: (folder / "a.jpg").unlink(), "a.jpg; found: No such file or directory"),
        (lambda folder: (folder / "a.dng").write_bytes(b"1"), "found: 1 bytes instead of 5"),
        (lambda folder: os.utime(folder / "a.dng", (0, 0)), "found: another time of change"),
    ],
)
def test_a_worker_that_sees_other_files_says_so_and_where(
    tmp_path: Path, spoil: Callable[[Path], object], words: str
) -> None:
    """Else the twin, or another card under the same path, would be measured in its place."""
    frame = frame_and_twin(tmp_path)
    spoil(tmp_path)

    outcome = site.measured_if_same(frame, process_of)

    assert isinstance(outcome, Unread)
    assert outcome.state == "unreadable"
    assert outcome.message.startswith(f"a.dng: expected on {socket.gethostname()} the same file")
    assert words in outcome.message
