"""A first look: what it may claim, that it is marked everywhere, and that nothing is done twice."""

import io
import os
import struct
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter

sys.path.append(str(Path(__file__).parent))  # the workers find the planted job by this path, too

import planted_examine

from audit import measuring, run
from audit.decode.raw import read_preview
from audit.diagnose import judge
from audit.examine import examine
from audit.examine_quick import first_look
from audit.rank import verdict_of
from audit.records import AuditedFrame, Frame, PictureName, Print, Reading, Report, Unread
from audit.report import csv_table, json_file, terminal
from audit.report.page import write_page
from audit.settings import Settings

SAMPLE = Path(__file__).parents[1] / "sample_data"
RAW = SAMPLE / "day-2-skarrow-moor" / "compact" / "QM_0031.DNG"
RISE_PER_SIGMA = 2.563103
"""10-90 % rise of a step blurred by a Gaussian: 2 x 1.2815516 (normal quantile)."""


def frame_of(path: Path) -> Frame:
    stat = path.stat()
    return Frame(
        file=path.name,
        path=os.fsencode(path),
        format={".jpg": "jpeg"}.get(path.suffix.lower(), path.suffix.lower()[1:]),
        size_bytes=stat.st_size,
        mtime_ns=stat.st_mtime_ns,
    )


def looked_at(path: Path) -> Reading:
    found = first_look(frame_of(path))
    assert isinstance(found, Reading)
    return found


def blurred_jpeg(sigma_px: float, side_px: int = 1200) -> bytes:
    """Bright and dark shards with edges of all directions, blurred by a known Gaussian."""
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:side_px, :side_px].astype(np.float32)
    light = np.full((side_px, side_px), 0.3, np.float32)
    for _ in range(60):
        cx, cy = rng.uniform(0, side_px, 2)
        turn = rng.uniform(0, np.pi)
        along = np.cos(turn) * (x - cx) + np.sin(turn) * (y - cy)
        across = -np.sin(turn) * (x - cx) + np.cos(turn) * (y - cy)
        light[(abs(along) < 90) & (abs(across) < 60)] = rng.uniform(0.05, 0.7)
    light = gaussian_filter(light, sigma_px)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    codes = np.rint(255 * coded + rng.normal(0, 0.7, light.shape)).clip(0, 255).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(np.stack([codes] * 3, -1)).save(out, "JPEG", quality=95)
    return out.getvalue()


def with_preview(dng: bytes, jpeg: bytes, width_px: int, height_px: int) -> bytes:
    """Chain a second directory with a JPEG to a TIFF file (TIFF 6.0, section 2; little-endian)."""
    (first,) = struct.unpack_from("<I", dng, 4)
    (count,) = struct.unpack_from("<H", dng, first)
    end = len(dng) + len(dng) % 2
    entries = [
        (254, 4, 1),
        (256, 4, width_px),
        (257, 4, height_px),
        (259, 3, 6),
        (513, 4, end),
        (514, 4, len(jpeg)),
    ]
    directory = struct.pack("<H", len(entries))
    directory += b"".join(struct.pack("<HHII", tag, kind, 1, v) for tag, kind, v in entries)
    whole = bytearray(dng.ljust(end, b"\0") + jpeg + bytes(len(jpeg) % 2))
    struct.pack_into("<I", whole, first + 2 + 12 * count, len(whole))
    return bytes(whole + directory + bytes(4))


# ---------------------------------------------------------------- what it may claim


@pytest.mark.parametrize("sigma_px", [0.6, 1.2, 2.2, 3.5])
def test_known_blur_lies_below_the_bound(tmp_path: Path, sigma_px: float) -> None:
    """Truth in closed form: a Gaussian's 10-90 % rise."""
    path = tmp_path / "a.jpg"
    path.write_bytes(blurred_jpeg(sigma_px))

    reading = looked_at(path)

    sharpness = reading.sharpness
    assert (sharpness.edge_width_px, sharpness.edge_width_low_px) == (None, None)
    assert sharpness.edge_width_high_px is not None
    true_px = RISE_PER_SIGMA * sigma_px
    assert true_px < sharpness.edge_width_high_px < max(1.8 * true_px, 4.5)
    held = judge(reading, Settings()).print
    assert held is not None
    assert held.at_most_long_cm is not None
    assert held.long_cm <= held.at_most_long_cm


def test_sharper_of_two_frames_of_a_scene_has_more_energy(tmp_path: Path) -> None:
    energies = []
    for sigma_px in (0.8, 1.0, 1.3):  # all below what widths tell
        path = tmp_path / "a.jpg"
        path.write_bytes(blurred_jpeg(sigma_px))
        energies.append(looked_at(path).sharpness.energy)

    assert energies == sorted(energies, key=lambda energy: -(energy or 0))
    assert len(set(energies)) == 3


def test_no_noise_no_smear_and_no_single_colour_is_claimed(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(blurred_jpeg(1.0))

    reading = looked_at(path)

    assert reading.noise.snr_midtone is None
    assert (reading.sharpness.smear_px, reading.sharpness.mtf50_cpp) == (None, None)
    assert reading.clipping.highlight_share.r is None
    assert reading.content_hash is None
    assert reading.facts.width_px == 1200
    assert any("first look" in note for note in reading.notes)


def test_preview_of_a_raw_is_looked_at(tmp_path: Path) -> None:
    """Full-size preview: the sensor's own size and the raw file's Exif stand in the reading."""
    full = examine(frame_of(RAW))
    assert isinstance(full, Reading)
    width_px, height_px = full.facts.width_px, full.facts.height_px
    jpeg = blurred_jpeg(3.0, side_px=max(width_px, height_px))
    cut = Image.open(io.BytesIO(jpeg)).crop((0, 0, width_px, height_px))
    out = io.BytesIO()
    cut.save(out, "JPEG", quality=95)
    path = tmp_path / RAW.name
    path.write_bytes(with_preview(RAW.read_bytes(), out.getvalue(), width_px, height_px))

    reading = looked_at(path)

    assert reading.depth == "first-look"
    assert (reading.facts.width_px, reading.facts.height_px) == (width_px, height_px)
    assert reading.facts.basis == "developed"
    assert reading.exposure == full.exposure
    widest_px = reading.sharpness.edge_width_high_px
    assert widest_px is not None
    assert 3.0 * RISE_PER_SIGMA < widest_px < 1.8 * 3.0 * RISE_PER_SIGMA


def test_preview_of_another_shape_is_not_trusted(tmp_path: Path) -> None:
    path = tmp_path / RAW.name
    path.write_bytes(with_preview(RAW.read_bytes(), blurred_jpeg(3.0, 900), 900, 900))

    assert read_preview(path, "dng") is not None
    assert looked_at(path).depth == "full"


def test_raw_without_a_preview_is_measured_in_full() -> None:
    assert read_preview(RAW, "dng") is None
    assert looked_at(RAW) == examine(frame_of(RAW))


def test_damaged_file_gets_the_word_of_the_full_measurement(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    whole = blurred_jpeg(1.0)
    path.write_bytes(whole[: len(whole) // 2])

    found = first_look(frame_of(path))

    assert isinstance(found, Unread)
    assert found == examine(frame_of(path))


# ---------------------------------------------------------------- verdicts


def held(most_cm: float, least_cm: float) -> Print:
    return Print(
        long_cm=least_cm,
        short_cm=least_cm / 2,
        viewing_cm=50.0,
        limited_by="softness",
        close_long_cm=least_cm / 2,
        target_long_cm=100.0,
        at_most_long_cm=most_cm,
    )


@pytest.mark.parametrize(
    ("most_cm", "least_cm", "verdict"),
    [(200.0, 101.0, "keeper"), (200.0, 50.0, "look-again"), (60.0, 40.0, "reject")],
)
def test_verdict_claims_only_what_is_certain(most_cm: float, least_cm: float, verdict: str) -> None:
    assert verdict_of(held(most_cm, least_cm), (), Settings()) == verdict


# ---------------------------------------------------------------- runs


@pytest.fixture(name="card")
def card_fixture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folder of planted files; the store of the test lies beside it."""
    monkeypatch.setattr(measuring, "examined", planted_examine.examine)
    monkeypatch.setattr(measuring, "first_looked", planted_examine.first_look)
    for loader in ("load", "load_quick"):
        monkeypatch.setattr(measuring, loader, planted_examine.load)
    monkeypatch.setenv(planted_examine.LOG, str(tmp_path / "measured"))
    card = tmp_path / "card"
    card.mkdir()
    return card


def plant(card: Path, **contents: str) -> None:
    for name, content in contents.items():
        (card / f"{name}.jpg").write_bytes(planted_examine.HEAD + content.encode())


def check(card: Path, *, cache: str = "cache", quick: bool = False, fresh: bool = False) -> Report:
    settings = Settings(cache=card.parent / cache, jobs=1, quick=quick, fresh=fresh)
    return run.check([card], settings)


def measured(card: Path) -> Counter[str]:
    log = card.parent / "measured"
    return Counter(log.read_text().split()) if log.exists() else Counter()


def test_full_run_after_a_first_look_is_that_of_a_full_run_alone(card: Path) -> None:
    plant(card, a1="scene 1 0.1", a2="scene 1 0.3", soft="sharp 4", bad="damaged")
    alone = check(card, cache="other")

    looked = check(card, quick=True)
    after = check(card)

    assert {frame.depth for frame in looked.frames if frame.state == "measured"} == {"first-look"}
    assert looked.counts.first_look == 3
    assert after == alone


def test_nothing_is_measured_twice(card: Path) -> None:
    plant(card, a="sharp 1.5", b="sharp 2")
    check(card, quick=True)
    assert measured(card) == {"quick-a.jpg": 1, "quick-b.jpg": 1}

    again = check(card, quick=True)
    assert again.counts.from_store == 2
    check(card)
    assert measured(card) == {"quick-a.jpg": 1, "quick-b.jpg": 1, "a.jpg": 1, "b.jpg": 1}
    check(card)
    later = check(card, quick=True)
    assert measured(card) == {"quick-a.jpg": 1, "quick-b.jpg": 1, "a.jpg": 1, "b.jpg": 1}
    assert {frame.depth for frame in later.frames} == {"full"}


def test_fresh_first_look_leaves_full_readings_alone(card: Path) -> None:
    plant(card, a="sharp 1.5")
    check(card)
    check(card, quick=True, fresh=True)

    check(card)

    assert measured(card) == {"a.jpg": 1, "quick-a.jpg": 1}


def test_repeats_of_both_depths_are_not_compared(card: Path) -> None:
    plant(card, a1="scene 1 0.1")
    check(card)
    plant(card, a2="scene 1 0.3")

    (series,) = check(card, quick=True).series

    assert series.best is None
    assert "cannot be told" in series.notes[0]


def test_series_come_out_of_first_looks(card: Path) -> None:
    plant(card, a1="scene 1 0.1", a2="scene 1 0.3", b="sharp 2")

    (series,) = check(card, quick=True).series

    assert (series.files, series.best) == (("a1.jpg", "a2.jpg"), "a2.jpg")


# ---------------------------------------------------------------- marked everywhere


def written(report: Report, write: Callable[[Report, io.StringIO], None]) -> str:
    out = io.StringIO()
    write(report, out)
    return out.getvalue()


def no_picture(frame: AuditedFrame, name: PictureName) -> bytes:  # noqa: ARG001
    return b""


def test_every_output_marks_a_first_look(card: Path) -> None:
    plant(card, a="sharp 2", b="sharp 8")
    looked, full = check(card, quick=True), check(card)

    for report, marks in ((looked, 2), (full, 0)):
        table = written(report, lambda report, out: terminal.write(report, out, width=100))
        assert len([line for line in table.splitlines() if ", first look " in line]) == marks
        assert ("--quick" in table) == bool(marks)
        rows = written(report, csv_table.write)
        assert rows.count(",first-look,") == marks
        text = written(report, json_file.write)
        assert text.count('"depth": "first-look"') == marks
        assert f'"first_look": {marks}' in text
        folder = card.parent / f"page-{marks}"
        write_page(report, no_picture, folder)
        page = next(folder.glob("*.html")).read_text(encoding="utf-8")
        assert page.count(", first look</b>") == marks
        assert ("without --quick" in page) == bool(marks)


def test_table_of_a_first_look_says_at_most(card: Path) -> None:
    plant(card, a="sharp 2")
    report = check(card, quick=True)

    table = written(report, lambda report, out: terminal.write(report, out, width=140))

    assert "at least" in table
