"""``frame-audit plan``: from words to outputs, every misuse told by name."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from audit import cli

CAMERA = ("plan", "--sensor", "full-frame", "--megapixels", "45")
BASE = (*CAMERA, "--focal", "24mm")
SAMPLE = Path(__file__).parents[1] / "sample_data" / "day-2-skarrow-moor" / "QT3_0201.JPG"


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def planned(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    assert cli.main([*words, "--json", "-"]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_table_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([*BASE, "--print", "90x60cm", "--near", "5ft"]) == 0
    out = capsys.readouterr().out
    assert "90 × 60 cm (35.4 × 23.6 in)" in out
    assert "From 1.52 m (5 ft) to infinity" in out


def test_help_has_three_examples(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["plan", "--help"]) == 0
    out = capsys.readouterr().out
    assert out.count("  frame-audit plan --") == 3
    assert max(map(len, out.splitlines())) <= 80


def test_all_that_can_be_asked(capsys: pytest.CaptureFixture[str]) -> None:
    plan = planned(
        capsys,
        *(*BASE, "--aperture", "f/11", "--focus", "10ft", "--viewing", "20in"),
        *("--water", "7.2km/h", "--distance", "5m", "--times", "1/4,2s"),
        *("--stars", "--declination", "-60"),
        *("--panorama", "120x40", "--overlap", "0.25", "--held", "landscape"),
        *("--bracket", "14", "--holds", "9ev", "--step", "2", "--metered", "1/60"),
    )
    assert plan["lens"]["aperture_n"] == 11
    assert plan["depth"]["focus_m"] == pytest.approx(3.048)
    assert plan["print"]["viewing_cm"] == pytest.approx(50.8)
    assert plan["water"]["speed_m_per_s"] == pytest.approx(2.0)
    assert [row["shutter_s"] for row in plan["water"]["rows"]] == [0.25, 2.0]
    assert plan["stars"]["declination_deg"] == -60
    assert plan["panorama"]["held"] == "landscape"
    assert plan["panorama"]["overlap"] >= 0.25
    assert plan["bracket"]["frame_range_ev"] == 9


@pytest.mark.parametrize(
    "words",
    [
        ("--sensor", "36x24mm", "--pixels", "8256x5504"),
        ("--sensor", "full-frame", "--pitch", "4.3605um"),
        ("--sensor", "Full-Frame", "--megapixels", "45.44"),
        ("--camera", "vk-50", "--limits", "own.toml"),
    ],
    ids=["pixels", "pitch", "megapixels", "own"],
)
def test_ways_to_name_one_camera(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    Path("own.toml").write_text(
        '[[camera]]\nmodel = "VK-50"\nwidth_mm = 36.0\nwidth_px = 8256\nheight_px = 5504\n'
    )
    camera = planned(capsys, "plan", *words, "--focal", "24")["camera"]
    assert camera["pitch_um"] == pytest.approx(4.3605, rel=1e-4)
    assert camera["width_px"] == pytest.approx(8256, abs=1)
    assert camera["height_mm"] == pytest.approx(24.0, rel=1e-3)


def test_from_a_frame(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Camera, lens and aperture as the audit reads them; options win; the original stays."""
    frame = tmp_path / "card" / "QT3_0201.JPG"
    frame.parent.mkdir()
    shutil.copy(SAMPLE, frame)
    before = (frame.read_bytes(), frame.stat().st_mtime_ns)
    words = ("plan", "--from", str(frame), "--cache", "cache", "--quiet")
    plan = planned(capsys, *words)
    assert cli.main(["check", str(frame.parent), "--cache", "cache", "--quiet", "--json", "-"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["frames"]

    assert plan["camera"]["pitch_um"] == row["sensor"]["pitch_um"]
    assert plan["camera"]["width_px"] == row["sensor"]["width_px"]
    assert plan["lens"]["focal_mm"] == row["exposure"]["focal_mm"]
    assert plan["lens"]["aperture_n"] == row["exposure"]["aperture_n"]
    assert not plan["lens"]["aperture_is_chosen"]
    other = planned(capsys, *words, "--focal", "100", "--aperture", "5.6")
    assert (other["lens"]["focal_mm"], other["lens"]["aperture_n"]) == (100, 5.6)
    assert (frame.read_bytes(), frame.stat().st_mtime_ns) == before
    assert {path.name for path in frame.parent.iterdir()} == {"QT3_0201.JPG"}


def test_outputs(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([*BASE, "--card", "card.html", "--json", "plan.json"]) == 0
    assert "How far to stop down" in capsys.readouterr().out
    assert Path("card.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert json.loads(Path("plan.json").read_text(encoding="utf-8"))["format"] == 1
    assert cli.main([*BASE, "--card", "-"]) == 0
    assert capsys.readouterr().out == Path("card.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("plan",), "expected a camera, as in"),
        (CAMERA, "expected a focal length, as in --focal 24mm"),
        (("plan", "--sensor", "full-frame", "--focal", "24"), "one of --megapixels, --pixels"),
        ((*BASE, "--pitch", "4"), "found --megapixels --pitch"),
        (("plan", "--sensor", "ful-frame", "--megapixels", "45"), "did you mean full-frame?"),
        (("plan", "--sensor", "36x0mm", "--megapixels", "45"), "or sides such as 36x24mm"),
        (("plan", "--camera", "VK-50", "--focal", "24"), "--camera: expected a model"),
        ((*BASE, "more"), "expected no further words, found more"),
        ((*CAMERA, "--focal", "-3"), "--focal: expected"),
        ((*CAMERA, "--focal", "24in"), "--focal: expected a figure such as 24mm"),
        ((*BASE, "--aperture", "0"), "--aperture: expected a figure such as 11"),
        ((*BASE, "--focus", "3"), "--focus: expected a unit, as in 3m or 10ft"),
        ((*BASE, "--near", "inf"), "--near: expected a finite distance"),
        ((*BASE, "--far", "9m"), "--far: expected --near with it"),
        ((*BASE, "--near", "1m", "--focus", "2m"), "expected --focus, or --near and --far"),
        ((*BASE, "--water", "2m/s"), "--water: expected --distance with it"),
        ((*BASE, "--water", "2", "--distance", "5m"), "expected a speed such as 2m/s"),
        ((*BASE, "--distance", "5m"), "--distance: expected --water with it"),
        ((*BASE, "--water", "2m/s", "--distance", "inf"), "--distance: expected a finite"),
        (
            (*BASE, "--water", "2m/s", "--distance", "5m", "--times", "1/0"),
            "--times: expected a time such as 1/60",
        ),
        (
            (*BASE, "--water", "2m/s", "--distance", "5m", "--times", ",".join("1" * 13)),
            "--times: expected at most 12, found 13",
        ),
        ((*BASE, "--declination", "10"), "--declination: expected --stars with it"),
        ((*BASE, "--stars", "--declination", "90"), "between -90 and 90"),
        ((*BASE, "--panorama", "400"), "--panorama: expected a figure such as 120x40"),
        ((*BASE, "--panorama", "120", "--overlap", "100%"), "--overlap: expected less than 100 %"),
        ((*BASE, "--panorama", "120", "--held", "level"), "expected portrait or landscape"),
        ((*BASE, "--held", "portrait"), "--held: expected --panorama with it"),
        ((*BASE, "--bracket", "99"), "--bracket: expected a figure such as 2 (at most 40)"),
        ((*BASE, "--metered", "1/60"), "--metered: expected --bracket with it"),
        ((*BASE, "--json", "-", "--card", "-"), "expected one output on the standard output"),
        ((*BASE, "--card", "no/where.html"), "expected a folder no, found none"),
        (("plan", "--from", "none.jpg"), "none.jpg: expected a frame, found no such file"),
        (("plan", "--from", "."), "expected one frame, found a folder"),
        (("plan", "--from", "a.jpg", "--sensor", "4/3"), "--from: expected no other camera"),
    ],
)
def test_misuse_is_told(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], message: str
) -> None:
    assert cli.main(list(words)) == 2
    told = capsys.readouterr()
    assert message in told.err
    assert told.out == ""


def test_a_file_that_is_no_frame(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("the light was good")
    (tmp_path / "cut.jpg").write_bytes(b"\xff\xd8\xff\xe0 and nothing more")
    assert cli.main(["plan", "--from", "notes.txt", "--cache", "cache"]) == 2
    assert "notes.txt: expected a frame, found:" in capsys.readouterr().err
    assert cli.main(["plan", "--from", "cut.jpg", "--cache", "cache", "--quiet"]) == 2
    assert "--from: expected a frame that can be read: cut.jpg:" in capsys.readouterr().err
