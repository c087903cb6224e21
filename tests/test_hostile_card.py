"""A card of damaged and hostile files through the whole program.

Promise: every file one row (or one reason for leaving it out), none harmed, no hang, no traceback,
not a byte of a library's noise. The long run is `tests/stress/mutants.py`.
"""

import hashlib
import importlib.util
import io
import os
import re
import shutil
import struct
import subprocess
import sys
import zlib
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from damaged_files import damaged_files
from PIL import Image

from audit import run
from audit.records import Report
from audit.settings import Bounds, Settings

ROOT = Path(__file__).parents[1]
ROWS, COLS = 48, 64


def picture() -> Image.Image:
    chance = np.random.default_rng(5)
    coarse = chance.integers(0, 256, (6, 8, 3), np.uint8)
    return Image.fromarray(coarse).resize((COLS, ROWS), Image.Resampling.BICUBIC)


def encoded(kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x829A] = "Velmark", "VK-50", 1 / 60
    picture().save(out, kind, exif=exif, **options)
    return out.getvalue()


def dng() -> bytes:
    """A small uncompressed raw file, by the maker of the decoder's tests."""
    place = Path(__file__).parent / "decode" / "conftest.py"
    spec = importlib.util.spec_from_file_location("decode_makers", place)
    assert spec is not None
    assert spec.loader is not None
    makers = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(makers)
    samples = np.random.default_rng(6).normal(3000, 60, (ROWS, COLS)).astype(np.uint16)
    data: bytes = makers.build_dng(samples, black=(512,), white=16383)
    return data


def seeds() -> list[tuple[str, bytes]]:
    return [
        ("a.jpg", encoded("JPEG")),
        ("b.jpg", encoded("JPEG", progressive=True)),
        ("c.tif", encoded("TIFF")),
        ("d.tif", encoded("TIFF", compression="tiff_adobe_deflate")),
        ("e.dng", dng()),
    ]


def facts_of(card: Path) -> dict[str, tuple[str, int, int]]:
    return {
        path.name: (
            hashlib.sha256(path.read_bytes()).hexdigest(),
            path.stat().st_mtime_ns,
            path.stat().st_mode,
        )
        for path in card.iterdir()
        if path.is_file() and not path.is_symlink()
    }


def check(card: Path, bounds: Bounds | None = None) -> Report:
    settings = Settings(jobs=1, cache=card.parent / "store", bounds=bounds or Bounds())
    return run.check([card], settings)


def places(report: Report) -> Counter[str]:
    rows = [name for frame in report.frames for name in (frame.file, *frame.companions)]
    return Counter([*rows, *(skip.file for skip in report.skipped)])


def test_three_hundred_damaged_files_each_get_one_row_and_stay_as_they_are(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    for name, content in damaged_files(seeds(), range(300), series="suite"):
        (card / name).write_bytes(content)
    before = facts_of(card)

    # Sizes that damage made up cost less time so.
    report = check(card, Bounds(largest_mp=10))

    assert facts_of(card) == before
    assert places(report) == Counter(dict.fromkeys(before, 1))
    assert {frame.state for frame in report.frames} <= {
        "measured",
        "damaged",
        "unsupported",
        "unreadable",
        "too-large",
    }
    assert not [f for f in report.frames if f.error and "Traceback" in f.error.message]
    assert capfd.readouterr() == ("", "")


def tiff(*entries: tuple[int, int, int, int], follow: int = 0) -> bytes:
    """A TIFF block of one directory."""
    head = b"II*\0" + struct.pack("<IH", 8, len(entries))
    return (
        head
        + b"".join(struct.pack("<HHII", *entry) for entry in entries)
        + struct.pack("<I", follow)
    )


def with_exif(block: bytes) -> bytes:
    out = io.BytesIO()
    picture().save(out, "JPEG", exif=b"Exif\0\0" + block)
    return out.getvalue()


def tall_png() -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", 20000, 20000, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(9999)))


def tiff_bomb() -> bytes:
    """20,000 x 20,000 grey pixels in some kilobytes."""
    strip = zlib.compress(bytes(20000 * 200), 9)
    fields = ((256, 4, 1, 20000), (257, 4, 1, 20000), (258, 3, 1, 8), (259, 3, 1, 8))
    more = ((262, 3, 1, 1), (273, 4, 1, 134), (277, 3, 1, 1), (278, 4, 1, 20000))
    block = tiff(*fields, *more, (279, 4, 1, len(strip)), (284, 3, 1, 1))
    return block.ljust(134, b"\0") + strip


def jpeg_claiming(rows: int, cols: int) -> bytes:
    data = encoded("JPEG")
    at = data.index(b"\xff\xc0")
    return data[: at + 5] + struct.pack(">HH", rows, cols) + data[at + 9 :]


HOSTILE = {
    "empty.dng": (b"", "unreadable"),
    "text.cr2": (b"not a photograph\n" * 40, "unreadable"),
    "zeros.nef": (bytes(1 << 16), "unreadable"),
    "postscript.jpg": (
        b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 64 64\nshowpage\n",
        "unreadable",
    ),
    "vector.jpg": (b'<?xml version="1.0"?><svg width="9" height="9"/>', "unreadable"),
    "png-bomb.jpg": (tall_png(), "unreadable"),
    "tiff-bomb.tif": (tiff_bomb(), "too-large"),
    "jpeg-bomb.jpg": (jpeg_claiming(65500, 65500), "too-large"),
    "jpeg-hollow.jpg": (jpeg_claiming(10000, 20000), "damaged"),
    "maker-note.jpg": (with_exif(tiff((0x927C, 7, 0x7FFFFFFF, 8))), "measured"),
    "loop.jpg": (with_exif(tiff((0x8769, 4, 1, 8), follow=8)), "measured"),
    "loop.tif": (tiff((256, 4, 1, 8), (0x014A, 4, 1, 8), follow=8), "damaged"),
    "boxes.cr3": (
        struct.pack(">I4s4sI4s", 20, b"ftyp", b"crx ", 1, b"isom")
        + struct.pack(">I4s", 0, b"moov") * 400,
        "unsupported",
    ),
}


def test_hostile_files_get_the_state_that_is_theirs(tmp_path: Path) -> None:
    """Bombs, loops, other formats under a photograph's name; a pipe and a loop of links beside."""
    card = tmp_path / "card"
    card.mkdir()
    for name, (content, _) in HOSTILE.items():
        (card / name).write_bytes(content)
    if hasattr(os, "mkfifo"):
        os.mkfifo(card / "pipe.jpg")
    (card / "again").symlink_to(card)

    report = check(card)

    states = {frame.file: frame.state for frame in report.frames}
    assert states == {name: state for name, (_, state) in HOSTILE.items()}
    assert "a link: not followed" in {skip.reason for skip in report.skipped}


TRACED = "openat,open,creat,rename,renameat,renameat2,unlink,unlinkat,utimensat,chmod,fchmodat"


@pytest.fixture(name="strace")
def strace_fixture(tmp_path: Path) -> str:
    """The tracer's path; skipped where it is missing or not allowed."""
    tracer = shutil.which("strace")
    if tracer is None:
        pytest.skip("strace is not installed")
    tried = subprocess.run([tracer, "-o", tmp_path / "try", "true"], check=False)
    if tried.returncode:
        pytest.skip("this system does not allow tracing")
    return tracer


def test_originals_are_opened_for_reading_only_and_nothing_else_is_started(
    tmp_path: Path, strace: str
) -> None:
    """Every system call of the program and its workers that names a file, a program or a peer."""
    card = tmp_path / "card"
    card.mkdir()
    for name, content in seeds():
        (card / name).write_bytes(content)
    log = tmp_path / "calls"
    # The kernel's filter lets all other calls pass at full speed.
    command = [strace, "-f", "--seccomp-bpf", "-qq", "-s", "4096", "-o", log]
    command += ["-e", f"trace={TRACED},execve,connect"]
    program = [sys.executable, "-m", "audit", "check", card, "--cache", tmp_path / "store"]

    done = subprocess.run(
        [*command, *program, "--json", tmp_path / "out.json", "--jobs", "1"],
        capture_output=True,
        cwd=ROOT,
        check=False,
    )

    calls = log.read_text(errors="replace").splitlines()
    on_card = [call for call in calls if re.search(rf'"{re.escape(str(card))}/[^"]', call)]
    assert done.returncode == 0, done.stderr
    assert len(on_card) >= 2 * len(seeds())
    assert not [call for call in on_card if "O_RDONLY" not in call]
    started = {call.partition("execve(")[2].split(",")[0] for call in calls if "execve(" in call}
    assert {Path(name.strip('"')).resolve() for name in started if name} == {
        Path(sys.executable).resolve()
    }
    assert not [call for call in calls if "connect(" in call and "AF_INET" in call]
