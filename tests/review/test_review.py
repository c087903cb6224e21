"""A review from words to files: decisions by the page, the list at the end, agreement, sets."""

import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import tomllib
import webbrowser
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import msgspec
import pytest
from review.conftest import Client, fill_store, reviewed
from stress.decision_kills import Page

from audit import cli
from audit.commands import review
from audit.records import AuditedFrame, Exposure, Finding, Frame, Series, Verdict
from audit.review import pages, sets
from audit.review.agreement import agreement_of, limits_file, proposals_of
from audit.review.decisions import Decision, Decisions, Word
from audit.review.sets import sets_so_far
from audit.review.sitting import Seen
from audit.settings import read_settings_file


def words_of(state: Any) -> dict[str, str | None]:
    return {each["name"]: each["word"] for each in state["frames"]}


def hashes(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


# ---------------------------------------------------------------- decisions


def test_a_word_a_note_undo_and_redo(own_client: Client) -> None:
    number = own_client.numbers()["soft_2.jpg"]
    status, state = own_client.post("/decide", {"frames": [number], "word": "keeper"})

    assert status == 200
    assert words_of(state) == {"soft_2.jpg": "keeper"}
    assert (state["decided"], state["can_undo"], state["can_redo"]) == (1, True, False)
    _, state = own_client.post("/note", {"frame": number, "note": "the only one of the heron"})
    assert state["frames"][0]["note"] == "the only one of the heron"
    _, state = own_client.post("/undo", {})
    assert (state["frames"][0]["note"], state["frames"][0]["word"]) == ("", "keeper")
    _, state = own_client.post("/undo", {})
    assert words_of(state) == {"soft_2.jpg": None}
    assert state["frames"][0]["holds"] == "reject"
    _, state = own_client.post("/redo", {})
    assert words_of(state) == {"soft_2.jpg": "keeper"}
    page = own_client.get(f"/set/{number}")[1].decode()
    assert 'data-word="keeper"' in page
    assert "Program:" in page


def test_accepting_a_set_leaves_what_was_said_before(own_client: Client) -> None:
    numbers = own_client.numbers()
    sitting = own_client.review.sitting
    place = sitting.set_with(numbers["sharp_1.jpg"])
    assert place is not None
    for number in place[1].frames:
        own_client.post("/decide", {"frames": [number], "word": "reject"})
    _, state = own_client.post("/accept", {"frame": numbers["sharp_1.jpg"]})
    assert state["frames"] == []
    _, state = own_client.post("/accept", {"frame": numbers["soft_2.jpg"]})
    assert words_of(state)["soft_2.jpg"] == "reject"


def test_another_tab_sees_the_word(own_client: Client) -> None:
    number = own_client.numbers()["sharp_3.jpg"]
    own_client.post("/decide", {"frames": [number], "word": "reject"})
    other = json.loads(own_client.get(f"/state?frame={number}")[1])

    assert words_of(other)["sharp_3.jpg"] == "reject"


def test_decisions_outlive_a_moved_folder_and_a_store_that_is_spoilt(
    trip: Path, tmp_path: Path
) -> None:
    with reviewed(trip, tmp_path / "cache") as client:
        client.enter()
        client.post("/decide", {"frames": [client.numbers()["soft_2.jpg"]], "word": "keeper"})
    moved = tmp_path / "archive" / "2031"
    moved.parent.mkdir()
    shutil.move(trip, moved)
    (tmp_path / "cache" / "readings.sqlite").write_bytes(b"spoilt" * 1000)
    fill_store(moved, tmp_path / "cache")

    with reviewed(moved, tmp_path / "cache") as client:
        seen = client.review.sitting.frame(client.numbers()["soft_2.jpg"])
        assert seen is not None
        assert seen.decision == Decision(word="keeper")


def test_a_word_of_another_process_comes_in(own_client: Client, tmp_path: Path) -> None:
    number = own_client.numbers()["sharp_1.jpg"]
    seen = own_client.review.sitting.frame(number)
    own_client.get("/state")
    assert seen is not None
    assert seen.content is not None
    with Decisions(tmp_path / "cache") as other:
        other.decide({seen.content: Decision(word="reject")}, {seen.content: "x"})
    own_client.get("/state")

    assert words_of(json.loads(own_client.get(f"/state?frame={number}")[1]))["sharp_1.jpg"] == (
        "reject"
    )


# ---------------------------------------------------------------- the end


WISHES = {
    "ratings": {"keeper": 4, "reject": -1},
    "replaces_ratings": False,
    "copies": True,
    "whole_series": False,
}


def write_end(client: Client, wishes: dict[str, object]) -> str:
    assert client.post("/end/plan", wishes)[0] == 200
    there = client.review.desk.there
    assert there is not None
    assert client.post("/end/write", {"plan": there.name})[0] == 200
    give_up = time.monotonic() + 60
    while json.loads(client.get("/state")[1])["is_writing"]:
        assert time.monotonic() < give_up
        time.sleep(0.02)
    return client.get("/end")[1].decode()


def test_the_persons_words_decide_what_is_rated_and_copied(
    own_client: Client, trip: Path, tmp_path: Path
) -> None:
    originals = hashes(trip)
    numbers = own_client.numbers()
    own_client.post("/decide", {"frames": [numbers["soft_2.jpg"]], "word": "keeper"})
    own_client.post("/decide", {"frames": [numbers["sharp_1.jpg"]], "word": "reject"})
    keepers = {each.row.file for each in own_client.review.sitting.everything()
               if each.word == "keeper"}  # fmt: skip
    own_client.post("/end/plan", WISHES)
    listed = own_client.get("/end")[1].decode()

    assert not (tmp_path / "kept").exists()
    assert hashes(trip) == originals
    assert "Write this" in listed
    page = write_end(own_client, WISHES)
    assert "copied and verified" in page
    copied = hashes(tmp_path / "kept")
    assert {name for name in copied if name.endswith(".jpg")} == keepers
    assert "soft_2.jpg" in keepers
    assert "sharp_1.jpg" not in keepers
    assert all(copied[name] == originals[name] for name in keepers)
    assert "soft_2.xmp" in copied
    assert "<xmp:Rating>4<" in (trip / "soft_2.xmp").read_text()
    assert "<xmp:Rating>-1<" in (trip / "sharp_1.xmp").read_text()
    assert {name: digest for name, digest in hashes(trip).items() if name in originals} == originals


def test_a_list_is_not_written_once_the_words_have_changed(own_client: Client) -> None:
    own_client.post("/end/plan", WISHES)
    there = own_client.review.desk.there
    assert there is not None
    own_client.post("/decide", {"frames": [0], "word": "reject"})

    status, text = own_client.post("/end/write", {"plan": there.name})

    assert status == 409
    assert "make it again" in text


def test_decisions_leave_by_the_page_and_come_in_by_the_command(
    own_client: Client, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own_client.post("/decide", {"frames": [0, 1], "word": "reject"})
    path = tmp_path / "decisions.json"
    path.write_bytes(own_client.get("/decisions.json")[1])
    words = ["review", "--cache", str(tmp_path / "other"), "--quiet"]

    assert cli.main([*words, "--import", str(path)]) == 0
    assert "2 of 2" in capsys.readouterr().out
    assert cli.main([*words, "--export", str(tmp_path / "again.json")]) == 0
    assert (tmp_path / "again.json").read_bytes() == path.read_bytes()


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ([], "expected a folder"),
        (["nowhere"], "expected a folder, found nothing"),
        (["a.txt"], "expected a folder, found a file"),
        (["trip", "--copy-to", "trip/kept"], "outside the audited"),
        (["trip", "--copy-to", "a.txt"], "expected a folder to copy to"),
        (["--import", "a.txt"], "expected decisions"),
        (["trip", "--browser"], "did you mean --no-browser"),
    ],
)
def test_misuse_is_one_clear_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    found: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "trip").mkdir()
    (tmp_path / "a.txt").write_text("text")

    assert cli.main(["review", *words, "--cache", "cache"]) == 2
    assert found in capsys.readouterr().err


@pytest.mark.skipif(os.name != "posix", reason="Ctrl-C as a signal")
def test_ctrl_c_ends_it_with_every_decision_on_the_disk(trip: Path, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    process = subprocess.Popen(
        [sys.executable, "-m", "audit", "review", str(trip), "--cache", str(cache), "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    page = Page(process.stdout.readline().strip())
    while not json.loads(page.get("/state"))["is_final"]:
        time.sleep(0.05)
    page.decide(0, "reject")
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    page.connection.close()

    assert (process.returncode, out, err) == (0, "", "")
    with Decisions(cache) as decisions:
        assert [each.word for each in decisions.all().values()] == ["reject"]


@pytest.mark.skipif(os.name != "posix", reason="rights of POSIX")
def test_the_browser_gets_the_way_in_by_a_file_of_the_users_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Words of a started program can be read by every user; that file cannot, and goes."""
    handed: list[tuple[str, int, str]] = []

    def open_(address: str) -> bool:
        path = Path(urlsplit(address).path)
        handed.append((address, path.stat().st_mode & 0o777, path.read_text()))
        return True

    monkeypatch.setattr(webbrowser, "open", open_)
    monkeypatch.setattr(review, "_wait", lambda: None)
    (tmp_path / "trip").mkdir()

    assert cli.main(["review", str(tmp_path / "trip"), "--cache", str(tmp_path / "cache")]) == 0
    ((address, mode, text),) = handed
    assert "ticket" not in address
    assert mode == 0o600
    assert "/enter?ticket=" in text
    assert "ticket" not in capsys.readouterr().out
    assert not list((tmp_path / "cache").glob("*.html"))


def test_an_empty_folder_says_so(tmp_path: Path) -> None:
    (tmp_path / "trip").mkdir()
    with reviewed(tmp_path / "trip", tmp_path / "cache") as client:
        client.enter()
        assert b"No frame was found" in client.get("/")[1]
        for path in ("/end", "/agreement", "/help"):
            assert client.get(path)[0] == 200


def test_the_list_of_sets_comes_a_page_at_a_time(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "SETS_A_PAGE", 2)
    sets = client.review.sitting.sets()
    lists = [re.findall(rb'href="/set/(\d+)', client.get(f"/?page={n}")[1]) for n in (1, 2, 3)]

    assert all(len(each) <= 2 for each in lists)
    assert [int(each) for part in lists for each in part] == [each.frames[0] for each in sets]
    assert client.get("/?page=x&show=y")[0] == 200


# ---------------------------------------------------------------- sets and agreement


def row(file: str, taken_at: str | None, **changes: Any) -> AuditedFrame:
    usual: dict[str, Any] = {
        "companions": (),
        "format": "dng",
        "state": "measured",
        "error": None,
        "verdict": "keeper",
        "rank": None,
    }
    return AuditedFrame(file=file, exposure=Exposure(taken_at=taken_at), **(usual | changes))


def test_before_the_series_are_known_a_pause_parts_sets() -> None:
    rows = {
        0: row("c", "2031-01-01T10:05:00"),
        1: row("a", "2031-01-01T10:00:00"),
        2: row("b", "2031-01-01T10:01:20.5"),
        3: row("d", None),
    }

    assert [each.frames for each in sets_so_far(rows)] == [(1, 2), (0,), (3,)]


def test_a_long_series_is_shown_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sets, "MOST_IN_A_SET", 3)
    rows = {n: row(f"{n:02d}", f"2031-01-01T10:00:{n:02d}") for n in range(7)}
    found = sets_so_far(rows)

    assert [(each.frames, each.part, each.parts) for each in found] == [
        ((0, 1, 2), 1, 3), ((3, 4, 5), 2, 3), ((6,), 3, 3)
    ]  # fmt: skip


def seen(verdict: Verdict, word: Word | None, value: float | None = None) -> Seen:
    findings = () if value is None else (
        Finding(kind="blocked-shadows", severity="warn", value=value, limit=0.05, unit="share",
                confidence=0.9, message="dark"),
    )  # fmt: skip
    frame = Frame(file="x", path=b"/x", format="dng", size_bytes=1, mtime_ns=1)
    judged = row("x", None, verdict=verdict, findings=findings)
    decision = Decision(word=word)
    return Seen(number=0, row=judged, frame=frame, content="x", decision=decision)


def test_agreement_counts_by_kind_and_by_direction() -> None:
    frames = [
        seen("look-again", "keeper", 0.06),
        seen("look-again", "look-again", 0.2),
        seen("keeper", "reject"),
        seen("keeper", None),
    ]
    found = {each.kind: (each.agreed, each.kinder, each.stricter) for each in agreement_of(frames)}

    assert found == {"blocked-shadows": (1, 1, 0), "none": (0, 0, 1)}


def test_a_limit_is_proposed_only_where_it_was_mostly_overruled(tmp_path: Path) -> None:
    """Five frames passed over at 6 to 10 %: the middle one's 8 % is proposed, and can be read."""
    kinder = [seen("look-again", "keeper", value / 100) for value in (6, 7, 8, 9, 10)]
    same = [seen("look-again", "look-again", 0.3)] * 5

    assert proposals_of(kinder[:4]) == []
    assert proposals_of(kinder + same * 2) == []
    (found,) = proposals_of(kinder + same)
    assert (found.limit, found.now, found.proposed, found.overruled, found.decided) == (
        "blocked_shadow_share", 0.05, 0.08, 5, 10
    )  # fmt: skip
    path = tmp_path / "limits.toml"
    path.write_text(limits_file([found]))
    assert read_settings_file(path).limits.blocked_shadow_share == 0.08
    assert tomllib.loads(limits_file([])) == {"limits": {}}


def test_series_of_the_report_are_sets_in_order_of_time() -> None:
    series = Series(id="S01", kind="repeat", files=("b", "c"), folders=(0, 0), best="c",
                    order=("c", "b"), notes=())  # fmt: skip
    rows = [row(name, f"2031-01-01T10:00:0{at}") for at, name in enumerate("abcd")]

    class Made(msgspec.Struct):
        frames: list[AuditedFrame]
        series: list[Series]

    numbers = {(0, each.file): at for at, each in enumerate(rows)}
    found = sets.sets_of(Made(rows, [series]), numbers)  # type: ignore[arg-type]

    assert [each.frames for each in found] == [(0,), (1, 2), (3,)]
    assert found[1].series == series
