"""``sidecars``, ``copy``, ``verify``, ``check --jsonl``: from words to files, over a full store."""

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from planted_examine import reading_of

from audit import cli
from audit.carry.manifest import NAME
from audit.records import Report, Series
from audit.scan import scan
from audit.store import Store
from audit.version import MEASURES

EDGE_WIDTHS_PX = {"sharp": 1.5, "soft": 9.0}
FILES = (
    *("day 1/sharp_1.jpg", "day 1/sharp_2.dng", "day 1/sharp_2.JPG", "day 1/soft_1.jpg"),
    *("day 2/sharp_[bold]\x1b[2J.jpg", "day 2/sharp_caf\udce9.jpg", "day 2/=sharp\n1.jpg"),
)
HEADS = {"dng": b"II*\0\x08\0\0\0\0\0", "jpg": b"\xff\xd8\xff\xe0"}


@pytest.fixture(name="trip")
def trip_fixture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folder whose frames are all in the store, so that nothing is measured."""
    trip = tmp_path / "trip"
    for at, file in enumerate(FILES):
        path = trip / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(HEADS[file[-3:].lower()] + os.fsencode(file))
        os.utime(path, ns=(1_700_000_000_000_000_000, 1_700_000_000_000_000_000 + at))
        path.chmod(0o444)
    fill_store(trip, tmp_path / "cache")
    monkeypatch.chdir(tmp_path)
    return trip


def fill_store(trip: Path, cache: Path) -> None:
    with Store(cache, version=MEASURES, warn=print) as store:
        for frame in scan([trip]).frames:
            path = Path(os.fsdecode(frame.path))
            width_px = EDGE_WIDTHS_PX["soft" if "soft" in path.name else "sharp"]
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            reading = reading_of(frame.file, edge_width_px=width_px, note="planted")
            store.put(frame, msgspec.structs.replace(reading, pictures={}, content_hash=digest))


def facts(folder: Path) -> dict[str, tuple[object, ...]]:
    """All that must not change of the originals."""
    return {
        file: (path.read_bytes(), path.stat().st_mtime_ns, path.stat().st_mode, path.stat().st_ino)
        for file in FILES
        if (path := folder / file)
    }


def called(*words: str) -> int:
    return cli.main([*words, "--cache", "cache", "--quiet"])


def names_in(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


# ---------------------------------------------------------------- originals


@pytest.mark.parametrize(
    "words",
    [
        ["check", "trip", "--jsonl", "out.jsonl"],
        ["sidecars", "trip", "--rating", "keeper=4", "--keyword", "keeper=print"],
        ["sidecars", "trip", "--dry-run"],
        ["sidecars", "trip", "--into", "elsewhere", "--naming", "full"],
        ["copy", "trip", "kept"],
        ["copy", "trip", "kept", "--verdict", "reject", "--dry-run"],
        ["verify", "trip"],
    ],
    ids=" ".join,
)
def test_originals_stay_as_they_are(trip: Path, words: list[str]) -> None:
    before = facts(trip)
    for _ in range(2):
        assert called(*words) == 0
    assert facts(trip) == before


# ---------------------------------------------------------------- sidecars


def test_sidecars_are_written_beside_every_frame_and_again_changes_nothing(
    trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert called("sidecars", "trip", "--rating", "keeper=4", "--rating", "reject=-1") == 0
    assert "6 frames: 6 new, 0 changed, 0 unchanged" in capsys.readouterr().out
    written = names_in(trip) - set(FILES)
    assert len(written) == 6
    assert "day 1/sharp_2.xmp" in written
    assert "xmp:Rating>-1<" in (trip / "day 1/soft_1.xmp").read_text()
    assert called("sidecars", "trip", "--rating", "keeper=4", "--rating", "reject=-1") == 0
    out = capsys.readouterr().out
    assert "0 new, 0 changed, 6 unchanged" in out
    assert names_in(trip) - set(FILES) == written


def test_a_dry_run_shows_the_change_and_writes_nothing(
    trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert called("sidecars", "trip", "--dry-run", "--rating", "keeper=4") == 0
    out = capsys.readouterr().out
    assert "    + xmp:Rating: 4\n" in out
    assert "\x1b[2J" not in out
    assert names_in(trip) == set(FILES)


def test_without_a_mapping_no_rating_is_written(trip: Path) -> None:
    called("sidecars", "trip")
    assert all("xmp:Rating" not in path.read_text() for path in trip.rglob("*.xmp"))


def test_what_does_not_parse_is_named_and_the_code_says_so(
    trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (trip / "day 1/soft_1.xmp").write_text("<x")
    assert called("sidecars", "trip") == 3
    out = capsys.readouterr().out
    assert "day 1/soft_1.jpg -> soft_1.xmp  left" in out
    assert "5 new" in out
    assert (trip / "day 1/soft_1.xmp").read_text() == "<x"


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is read-only to this user")
def test_a_read_only_folder_is_one_line(trip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (trip / "day 1").chmod(0o555)
    try:
        assert called("sidecars", "trip") == 3
    finally:
        (trip / "day 1").chmod(0o755)
    assert capsys.readouterr().out.count("day 1: 3 sidecars cannot be written") == 1


# ---------------------------------------------------------------- copy and verify


def test_keepers_are_copied_with_twins_and_sidecars_and_verified(
    trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    called("sidecars", "trip")
    assert called("copy", "trip", "kept") == 0
    expected = {name for name in names_in(trip) if "soft" not in name}
    assert names_in(Path("kept")) == expected | {NAME}
    for name in expected:
        assert (Path("kept") / name).read_bytes() == (trip / name).read_bytes()
    assert "no backup" in capsys.readouterr().out
    assert called("verify", "kept") == 0
    assert f"{len(expected)} files: {len(expected)} unchanged" in capsys.readouterr().out


def test_another_file_of_that_name_is_left_and_the_code_says_so(
    trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert trip.is_dir()
    Path("kept/day 1").mkdir(parents=True)
    Path("kept/day 1/sharp_1.jpg").write_text("theirs")
    assert called("copy", "trip", "kept") == 3
    assert "another file has its name" in " ".join(capsys.readouterr().out.split())
    assert Path("kept/day 1/sharp_1.jpg").read_text() == "theirs"


def test_verify_tells_changed_missing_and_unknown(
    trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    changed = trip / "day 1/sharp_1.jpg"
    data = bytearray(changed.read_bytes())
    data[-1] ^= 1
    before = changed.stat()
    changed.chmod(0o644)
    changed.write_bytes(data)
    os.utime(changed, ns=(before.st_atime_ns, before.st_mtime_ns))
    (trip / "day 1/soft_1.jpg").unlink()
    assert called("verify", "trip") == 1
    out = capsys.readouterr().out
    assert "changed    day 1/sharp_1.jpg" in out
    assert "missing    day 1/soft_1.jpg" in out
    assert "unknown    day 1/sharp_2.JPG" in out
    assert "4 unchanged, 1 changed, 1 missing, 0 unreadable, 1 unknown" in " ".join(out.split())


def test_verify_reads_nothing_outside_the_folder(
    trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("secret").write_text("x")
    digest = hashlib.sha256(b"x").hexdigest()
    (trip / NAME).write_text(f"{digest}  ../secret\n{digest}  {Path('secret').resolve()}\n")
    assert called("verify", "trip") == 3
    assert capsys.readouterr().out.count("leads out of the folder") == 2


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["sidecars"], "expected a folder"),
        (["sidecars", "trip", "--rating", "keeper=9"], "from -1 to 5, found '9'"),
        (["sidecars", "trip", "--rating", "keepr=3"], "did you mean keeper?"),
        (["sidecars", "trip", "--rating", "keeper"], "such as keeper=4"),
        (["sidecars", "trip", "--rating", "unread=1"], "expected one of"),
        (["sidecars", "trip", "--keyword", "dst=x"], "did you mean dust?"),
        (["sidecars", "trip", "--replace-ratings"], "expected --rating with it"),
        (["sidecars", "trip", "--into", "trip/day 1/sharp_1.jpg"], "found a file"),
        (["copy", "trip"], "expected a folder and a destination"),
        (["copy", "trip", "trip/kept"], "outside the audited ones"),
        (["copy", "trip", "trip"], "outside the audited ones"),
        (["copy", "trip", "trip/day 1/sharp_1.jpg"], "found a file"),
        (["copy", "trip", "kept", "--verdict", "keep"], "did you mean keeper?"),
        (["verify"], "expected one folder"),
        (["verify", "nowhere"], "expected a folder"),
        (["verify", "trip", "--manifest", "none"], "none: cannot be read"),
        (["check", "trip", "--jsonl", "-", "--csv", "-"], "expected one output"),
        (["check", "trip", "--jsonl", "old.txt"], "expected older JSON Lines"),
    ],
)
def test_misuse_is_one_clear_line(
    trip: Path, capsys: pytest.CaptureFixture[str], words: list[str], line: str
) -> None:
    before = facts(trip)
    Path("old.txt").write_text("notes")
    assert called(*words) == 2
    err = capsys.readouterr().err
    assert err.startswith("frame-audit: ")
    assert line in err
    assert not Path("kept").exists()
    assert (facts(trip), Path("old.txt").read_text()) == (before, "notes")


def test_ctrl_c_leaves_a_manifest_and_the_same_command_goes_on(
    trip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from audit.carry import copying

    real, count = copying._copy_new, 0

    def interrupted(*given: object) -> str:
        nonlocal count
        count += 1
        if count == 3:
            raise KeyboardInterrupt
        return real(*given)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(copying, "_copy_new", interrupted)
        assert called("copy", "trip", "kept") == 130
    assert len((Path("kept") / NAME).read_bytes().splitlines()) == 2
    assert called("copy", "trip", "kept") == 0
    assert len(names_in(Path("kept"))) == len([name for name in FILES if "soft" not in name]) + 1
    assert trip.is_dir()


def test_a_torn_bracket_is_warned_of_and_can_be_taken_whole(
    trip: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from audit import run

    def as_bracket(*given: object, **more: object) -> Report:
        report = real(*given, **more)  # type: ignore[arg-type]
        members = ("day 1/sharp_1.jpg", "day 1/soft_1.jpg")
        series = Series(
            id="S01", kind="exposure-bracket", files=members, best=None, order=members, notes=()
        )
        frames = tuple(
            msgspec.structs.replace(frame, series="S01" if frame.file in members else None)
            for frame in report.frames
        )
        return msgspec.structs.replace(report, series=(series,), frames=frames)

    real = run._report_of
    monkeypatch.setattr(run, "_report_of", as_bracket)
    assert cli.main(["copy", "trip", "kept", "--cache", "cache"]) == 0
    assert "only 1 of 2 frames" in " ".join(capsys.readouterr().err.split())
    assert called("copy", "trip", "kept", "--whole-series") == 0
    assert (Path("kept") / "day 1/soft_1.jpg").exists()
    assert trip.is_dir()


# ---------------------------------------------------------------- JSON Lines


def lines_of(text: str) -> list[dict[str, object]]:
    assert text.endswith("\n")
    return [json.loads(line) for line in text.splitlines()]


def test_the_lines_at_the_end_are_the_whole_report(
    trip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert trip.is_dir()
    assert called("check", "trip", "--jsonl", "-", "--json", "a.json") == 0
    lines = lines_of(capsys.readouterr().out)
    parts: dict[str, list[object]] = {kind: [] for kind in ("frame", "series", "dust", "skipped")}
    for line in lines:
        if line["line"] in parts:
            parts[str(line["line"])].append(line[str(line["line"])])
    end = {key: value for key, value in lines[-1].items() if key != "line"}
    together = {
        **end,
        "frames": parts["frame"],
        **{kind: parts[kind] for kind in ("series", "dust", "skipped")},
    }
    assert together == json.loads(Path("a.json").read_text(encoding="utf-8"))
    looks = [line["frame"] for line in lines if line["line"] == "first-look"]
    assert len(looks) == len(parts["frame"]) == 6
    assert all(look["rank"] is look["series"] is None for look in looks)  # type: ignore[index]


def test_an_older_file_of_lines_is_replaced(trip: Path) -> None:
    assert trip.is_dir()
    for _ in range(2):
        assert called("check", "trip", "--jsonl", "out.jsonl") == 0
    assert [line["line"] for line in lines_of(Path("out.jsonl").read_text())].count("end") == 1


@pytest.mark.parametrize("command", ["sidecars", "copy", "verify"])
def test_help_of_the_new_commands_imports_nothing_heavy(command: str) -> None:
    program = (
        "import sys; from audit import cli; cli.main(sys.argv[1:]);"
        "print([name for name in ('numpy', 'rich', 'msgspec', 'PIL') if name in sys.modules])"
    )
    words = [sys.executable, "-c", program, command, "--help"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
