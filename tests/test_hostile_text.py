"""Names and Exif texts that would steer what shows them, from the file to every output.

The outputs are read by their own standard's reader (JSON, CSV, XML, HTML), not by our code.
"""

import csv
import html.parser
import json
import os
import sys
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from audit import cli, measuring
from audit.workers import Task

STEERING = "\x1b[2J\x1b]0;owned\x07"
BIDI = "\u202egpj.\u2066"
NAMES = (
    b"=cmd|' !A0\n.jpg",
    b"\x1b[31mred\x1b]0;owned\x07.jpg",
    "gnp\u202egpj.\u2066.jpg".encode(),
    b"caf\xe9 \xff.jpg",
    b"n" * 251 + b".jpg",
    b"<script>alert(1)<&\"'>.jpg",
    b"[bold]{{7*7}}%s.jpg",
    b"Twin.jpg",
    b"twin.jpg",
)
TEXT = f"=1+1\n{STEERING}{BIDI}</script><img src=x onerror=alert(1)>]]>&#0;"


@pytest.fixture(name="card")
def card_fixture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Tiny pictures under these names, with that text in four Exif fields."""

    def measured_here(
        tasks: Sequence[Task[Any]], job: Callable[[Any], object], **_: object
    ) -> Iterator[tuple[int, object]]:
        yield from ((index, job(task.payload)) for index, task in enumerate(tasks))

    monkeypatch.setattr(measuring, "run_tasks", measured_here)
    monkeypatch.chdir(tmp_path)
    card = tmp_path / "card"
    card.mkdir()
    chance = np.random.default_rng(4)
    for name in NAMES:
        exif = Image.Exif()
        exif[0x010F] = exif[0x0110] = exif[0x0131] = TEXT
        exif.get_ifd(0x8769)[0xA434] = TEXT
        picture = Image.fromarray(chance.integers(0, 256, (40, 60, 3), np.uint8))
        with (card / os.fsdecode(name)).open("wb") as out:
            picture.save(out, "JPEG", exif=exif)
    if len(list(card.iterdir())) != len(NAMES):
        pytest.skip("this disk does not tell case twins apart")
    return card


class Elements(html.parser.HTMLParser):
    """What a browser would see: elements, their attributes, and text."""

    def __init__(self) -> None:
        super().__init__()
        self.names: list[str] = []
        self.attributes: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.attributes += [name for name, _ in attrs]


def steering_in(text: str, allowed: str = "\n") -> set[str]:
    """Control, format and surrogate characters of a text."""
    return {
        character
        for character in text
        if character not in allowed and unicodedata.category(character) in ("Cc", "Cf", "Cs")
    }


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes need a disk that has them")
def test_no_name_or_text_steers_any_output(
    card: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    outputs = ["--json", "out.json", "--jsonl", "out.jsonl", "--csv", "out.csv", "--page", "page"]
    common = ["--cache", "cache", "--jobs", "1"]

    assert cli.main(["check", str(card), "--all", *outputs, *common]) == 0
    shown = capfd.readouterr()
    # 3: the case twins are left, since one sidecar's name could be the other's.
    assert cli.main(["sidecars", str(card), "--into", "beside", *common]) == 3
    told = capfd.readouterr()

    for text in (shown.out, shown.err, told.out, told.err):
        assert not steering_in(text)

    whole = (tmp_path / "out.json").read_text(encoding="utf-8")
    assert not {c for c in whole if c < " " and c != "\n"}
    report = json.loads(whole)
    files = {frame["file"] for frame in report["frames"]}
    assert len(files) == len(NAMES)
    assert {frame["state"] for frame in report["frames"]} == {"measured"}

    lines = (tmp_path / "out.jsonl").read_bytes().split(b"\n")
    kinds = [json.loads(line) for line in lines if line]
    assert len(kinds) >= len(NAMES)

    with (tmp_path / "out.csv").open(encoding="utf-8-sig", newline="") as table:
        rows = list(csv.reader(table))
    assert len(rows) == 1 + len(NAMES)
    assert {len(row) for row in rows} == {len(rows[0])}
    cells = [cell for row in rows for cell in row]
    assert not [cell for cell in cells if cell[:1] in ("=", "+", "@", "\t", "\r")]
    assert not [cell for cell in cells if steering_in(cell, "\t\r\n")]

    elements = Elements()
    pages = list((tmp_path / "page").rglob("*.html"))
    assert pages
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert not steering_in(text)
        assert "<img src=x" not in text
        assert "<script>alert" not in text
        elements.feed(text)
    assert not [name for name in elements.attributes if name.startswith("on")]

    sidecars = sorted((tmp_path / "beside").rglob("*.xmp"))
    assert len(sidecars) == len(NAMES) - 2
    for sidecar in sidecars:
        ET.fromstring(sidecar.read_bytes())
