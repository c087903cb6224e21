"""The whole run: real workers, a real store, real judging; only the measuring is planted."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import msgspec
import pytest

sys.path.append(str(Path(__file__).parent))  # the workers find the planted job by this path, too

import planted_examine

from audit import measuring, rows, run
from audit.diagnose import Judgement
from audit.errors import FolderError
from audit.records import Reading, Report
from audit.settings import Settings
from audit.store import FILE_NAME

ROOT = Path(__file__).parents[1]


class Recorder:
    """Progress and warnings, written down."""

    def __init__(self) -> None:
        self.steps: list[str | int] = []
        self.warnings: list[str] = []

    def start(self, total: int) -> None:
        self.steps.append(total)

    def advance(self, name: str) -> None:
        self.steps.append(name)

    def finish(self) -> None:
        self.steps.append("finish")


@pytest.fixture(name="card")
def card_fixture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folder of planted files; the store of the test lies beside it."""
    monkeypatch.setattr(measuring, "examined", planted_examine.examine)
    monkeypatch.setattr(measuring, "load", planted_examine.load)
    monkeypatch.setenv(planted_examine.LOG, str(tmp_path / "measured"))
    card = tmp_path / "card"
    card.mkdir()
    return card


def plant(card: Path, **contents: str) -> None:
    for name, content in contents.items():
        (card / f"{name}.jpg").write_bytes(planted_examine.HEAD + content.encode())


def check(card: Path, recorder: Recorder | None = None, **options: object) -> Report:
    recorder = recorder or Recorder()
    settings = msgspec.structs.replace(
        Settings(cache=card.parent / "cache", jobs=2),
        **options,  # type: ignore[arg-type]
    )
    return run.check([card], settings, progress=recorder, warn=recorder.warnings.append)


def measured(card: Path) -> Counter[str]:
    """How often each file was measured so far."""
    log = card.parent / "measured"
    return Counter(log.read_text().split()) if log.exists() else Counter()


def without_source(report: Report) -> Report:
    """All but where the readings came from."""
    counts = msgspec.structs.replace(report.counts, from_store=0)
    return msgspec.structs.replace(report, counts=counts)


def test_every_frame_gets_one_row_with_its_state(card: Path) -> None:
    plant(card, sharp="sharp 1.5", soft="sharp 4", bad="damaged", dead="crash", odd="sharp 1.4")
    (card / "notes.txt").write_text("mist at dawn")

    report = check(card)

    states = {frame.file: frame.state for frame in report.frames}
    assert states == {
        "odd.jpg": "measured",
        "sharp.jpg": "measured",
        "soft.jpg": "measured",
        "bad.jpg": "damaged",
        "dead.jpg": "crashed",
    }
    errors = {frame.file: frame.error for frame in report.frames if frame.error is not None}
    assert errors["bad.jpg"].code == "cut-short"
    assert errors["dead.jpg"].message.startswith("dead.jpg: ")
    assert [frame.rank for frame in report.frames] == [1, 2, 3, None, None]
    assert [skipped.file for skipped in report.skipped] == ["notes.txt"]
    assert (report.counts.frames, report.counts.measured, report.counts.unread) == (5, 3, 2)
    assert report.counts.skipped == 1
    assert sum((report.counts.keeper, report.counts.look_again, report.counts.reject)) == 3
    assert not report.interrupted


def test_counts_of_findings_are_those_of_the_rows(card: Path) -> None:
    plant(card, a="sharp 1.5", b="sharp 5", c="sharp 6")

    report = check(card)

    rows = Counter(each.kind for frame in report.frames for each in frame.findings)
    assert rows
    assert report.counts.findings == dict(sorted(rows.items()))


def test_second_run_measures_only_what_is_new_or_changed(card: Path) -> None:
    plant(card, a="sharp 1.5", b="sharp 2", c="sharp 3")
    first = check(card)
    plant(card, b="sharp 2.500", d="sharp 1.6")

    second = check(card)

    assert measured(card) == {"a.jpg": 1, "b.jpg": 2, "c.jpg": 1, "d.jpg": 1}
    assert (first.counts.from_store, second.counts.from_store) == (0, 2)
    widths = {f.file: f.sharpness.edge_width_px for f in second.frames if f.sharpness}
    assert widths == {"a.jpg": 1.5, "b.jpg": 2.5, "c.jpg": 3.0, "d.jpg": 1.6}


def test_run_from_the_store_gives_the_same_report(card: Path) -> None:
    plant(card, a="sharp 1.5", b="sharp 4", c="sharp 3")

    first, second = check(card), check(card)

    assert second.counts.from_store == 3
    assert without_source(second) == without_source(first)


def test_changed_limit_reads_no_pixel(card: Path) -> None:
    plant(card, a="sharp 2")
    limits = Settings().limits

    check(card)
    stricter = check(card, limits=msgspec.structs.replace(limits, keeper_share=1.0))

    assert measured(card) == {"a.jpg": 1}
    assert stricter.settings.limits["keeper_share"] == 1.0


def test_fresh_measures_again(card: Path) -> None:
    plant(card, a="sharp 2")

    check(card)
    report = check(card, fresh=True)

    assert measured(card) == {"a.jpg": 2}
    assert report.counts.from_store == 0


def test_frame_that_failed_is_tried_again(card: Path) -> None:
    """A failure may be the card reader's; only readings are kept."""
    plant(card, a="damaged")

    check(card)
    check(card)

    assert measured(card) == {"a.jpg": 2}


def test_order_of_completion_and_of_the_disk_changes_nothing(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant(card, **{f"f{n}": f"sharp 1.{n % 4}" for n in range(12)}, bad="damaged")
    once = check(card, jobs=1, fresh=True)
    scanned = run.scan

    def shuffled(folders: list[Path]) -> object:
        found = scanned(folders)
        frames = list(found.frames)
        random.Random(3).shuffle(frames)
        return msgspec.structs.replace(found, frames=tuple(frames))

    monkeypatch.setattr(run, "scan", shuffled)

    assert check(card, jobs=3, fresh=True) == once


def test_measured_file_is_named_as_seen_from_the_folder_of_this_run(card: Path) -> None:
    (card / "day-1").mkdir()
    plant(card / "day-1", a="sharp 2")

    from_above, from_inside = (
        check(card),
        run.check([card / "day-1"], Settings(cache=card.parent / "cache")),
    )

    assert from_inside.counts.from_store == 1
    assert [from_above.frames[0].measured_file, from_inside.frames[0].measured_file] == [
        "day-1/a.jpg",
        "a.jpg",
    ]


def test_progress_counts_what_is_measured(card: Path) -> None:
    plant(card, a="sharp 2", b="damaged", c="crash")
    first, second = Recorder(), Recorder()

    check(card, first)
    check(card, second)

    assert first.steps[0] == 3
    assert sorted(map(str, first.steps[1:-1])) == ["a.jpg", "b.jpg", "c.jpg"]
    assert first.steps[-1] == "finish"
    assert second.steps[0] == 2


def test_reading_that_cannot_be_judged_costs_its_own_row_alone(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant(card, a="sharp 2", b="unjudgeable")
    judge = rows.judge

    def failing(reading: Reading, settings: Settings) -> Judgement:
        if reading.notes == ("unjudgeable",):
            raise ZeroDivisionError("a rule went wrong")
        return judge(reading, settings)

    monkeypatch.setattr(rows, "judge", failing)

    good, bad = check(card).frames

    assert (good.file, good.state) == ("a.jpg", "measured")
    assert (bad.file, bad.state) == ("b.jpg", "crashed")
    assert bad.error is not None
    assert "ZeroDivisionError: a rule went wrong" in bad.error.message


def test_without_a_place_for_the_store_the_run_goes_on_with_one_warning(card: Path) -> None:
    plant(card, a="sharp 2", b="sharp 3")
    (card.parent / "file").write_bytes(b"")
    recorder = Recorder()

    report = check(card, recorder, cache=card.parent / "file" / "cache")

    assert report.counts.measured == 2
    assert len(recorder.warnings) == 1
    assert "nothing is kept for the next run" in recorder.warnings[0]


def test_spoilt_store_is_replaced_with_one_warning(card: Path) -> None:
    plant(card, a="sharp 2")
    (card.parent / "cache").mkdir()
    (card.parent / "cache" / FILE_NAME).write_bytes(b"spoilt" * 1000)
    recorder = Recorder()

    report = check(card, recorder)

    assert report.counts.measured == 1
    assert len(recorder.warnings) == 1
    assert check(card).counts.from_store == 1


def test_missing_folder_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="nowhere"):
        run.check([tmp_path / "nowhere"], Settings(cache=tmp_path / "cache"))

    assert list(tmp_path.iterdir()) == []


def test_empty_folder_gives_an_empty_report(card: Path) -> None:
    report = check(card)

    assert report.frames == ()
    assert report.counts.frames == 0


def test_originals_are_not_touched(card: Path) -> None:
    plant(card, a="sharp 2", b="damaged", c="crash")
    before = {
        p.name: (p.read_bytes(), p.stat().st_mtime_ns, p.stat().st_mode) for p in card.iterdir()
    }

    check(card)

    after = {
        p.name: (p.read_bytes(), p.stat().st_mtime_ns, p.stat().st_mode) for p in card.iterdir()
    }
    assert after == before


# ---------------------------------------------------------------- runs that are ended

PROGRAM = f"""
import sys
sys.path[:0] = [{str(ROOT)!r}, {str(Path(__file__).parent)!r}]
from pathlib import Path
import msgspec
import planted_examine
from audit import measuring, rows, run
from audit.settings import Settings
measuring.examined, measuring.load = planted_examine.examine, planted_examine.load
card = Path(sys.argv[1])
report = run.check([card], Settings(cache=card.parent / "cache", jobs=2))
print(msgspec.json.encode(report).decode())
"""


def start_program(card: Path) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(card)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def wait_for(card: Path, count: int) -> None:
    give_up = time.monotonic() + 30
    while sum(measured(card).values()) < count and time.monotonic() < give_up:
        time.sleep(0.02)


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_ctrl_c_gives_a_report_of_what_is_done(card: Path) -> None:
    plant(card, **{f"a{n}": "sharp 2" for n in range(5)}, y="wait", z="wait")
    with start_program(card) as program:
        wait_for(card, 7)

        os.killpg(program.pid, signal.SIGINT)
        output, errors = program.communicate(timeout=20)

    report = msgspec.json.decode(output, type=Report)
    assert report.interrupted
    assert report.counts.measured == 5
    left_out = {each.file: each.reason for each in report.skipped}
    assert left_out == dict.fromkeys(("y.jpg", "z.jpg"), run.NOT_MEASURED)
    assert errors == ""
    plant(card, y="sharp 2", z="sharp 2")
    assert check(card).counts.from_store == 5


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_killed_run_is_taken_up_where_it_was(card: Path) -> None:
    """Only frames in flight are measured again, and the report is that of an undisturbed run."""
    names = {f"a{n}": "sharp 2" for n in range(6)}
    plant(card, **names, y="wait", z="wait")
    with start_program(card) as program:
        wait_for(card, 8)
        os.kill(program.pid, signal.SIGKILL)
        program.communicate()
    plant(card, y="sharp 2", z="sharp 2")

    resumed = check(card)

    assert measured(card) == dict.fromkeys((f"{n}.jpg" for n in names), 1) | {
        "y.jpg": 2,
        "z.jpg": 2,
    }
    assert without_source(resumed) == without_source(check(card, fresh=True))


def test_two_runs_at_once_give_the_same_report(card: Path) -> None:
    plant(card, **{f"a{n}": f"sharp 1.{n}" for n in range(8)})

    with start_program(card) as one, start_program(card) as two:
        reports = [json.loads(program.communicate(timeout=60)[0]) for program in (one, two)]

    for report in reports:
        del report["counts"]["from_store"]
    assert reports[0] == reports[1]
    assert len(reports[0]["frames"]) == 8


# ---------------------------------------------------------------- series


def test_series_are_found_again_from_the_store_and_no_original_is_opened(card: Path) -> None:
    plant(card, a1="scene 1 0.1", a2="scene 1 0.3", b1="scene 2 0.2", c="sharp 1.5")

    first = check(card)
    second = check(card)

    assert [(each.kind, each.files, each.best) for each in first.series] == [
        ("repeat", ("a1.jpg", "a2.jpg"), "a2.jpg")
    ]
    assert without_source(second) == without_source(first)
    assert set(measured(card).values()) == {1}


def test_a_repeat_that_is_not_the_best_says_so(card: Path) -> None:
    plant(card, a1="scene 1 0.1", a2="scene 1 0.3")

    rows = {frame.file: frame for frame in check(card).frames}

    assert {row.series for row in rows.values()} == {"S01"}
    assert (rows["a2.jpg"].verdict, rows["a2.jpg"].verdict_note) == ("keeper", None)
    assert rows["a1.jpg"].verdict == "look-again"
    assert rows["a1.jpg"].verdict_note == (
        "Repeat of a2.jpg (S01). The best one is sharper: 3.00 times the energy of fine detail. "
        "By itself it would be kept."
    )


def test_the_user_chooses_what_becomes_of_repeats(card: Path) -> None:
    plant(card, a1="scene 1 0.1", a2="scene 1 0.3")

    def verdicts(repeats: str) -> list[str]:
        return sorted(frame.verdict for frame in check(card, repeats=repeats).frames)

    assert verdicts("keep") == ["keeper", "keeper"]
    assert verdicts("reject") == ["keeper", "reject"]


def test_a_fault_in_finding_series_costs_no_row(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("planted")

    monkeypatch.setattr("audit.series.find_series", fail)
    plant(card, a1="scene 1 0.1", a2="scene 1 0.3")
    recorder = Recorder()

    report = check(card, recorder)

    assert [frame.state for frame in report.frames] == ["measured", "measured"]
    assert report.series == ()
    assert recorder.warnings == ["series cannot be told: RuntimeError: planted"]


def test_pictures_come_from_the_store_without_an_original(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second run can show every frame though no worker could be started."""
    plant(card, one="sharp", two="sharp")
    settings = Settings(cache=card.parent / "cache", jobs=1)
    run.check([card], settings)

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("an original was opened")

    monkeypatch.setattr(measuring, "run_tasks", refuse)
    with run.open_audit([card], settings) as audit:
        first, second = audit.report.frames
        for frame in (first, second):
            assert audit.picture(frame, "registration").startswith(b"picture of ")
        assert audit.picture(first, "softest") == b""
        nowhere = msgspec.structs.replace(first, file="no such frame")
        assert audit.picture(nowhere, "registration") == b""
