"""Frames on a disk for the tests of what is written beside reports."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from audit.records import Frame

PlantFrame = Callable[..., Frame]


@pytest.fixture(name="card")
def card_fixture(tmp_path: Path) -> Path:
    card = tmp_path / "card"
    card.mkdir()
    return card


@pytest.fixture(name="plant")
def plant_fixture(card: Path) -> PlantFrame:
    """Write a frame's files and give its record; a name that ends in a raw suffix is a raw."""

    def plant(name: str, *companions: str) -> Frame:
        paths = [card / each for each in (name, *companions)]
        for path in paths:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"content of " + os.fsencode(path.name))
        return Frame(
            file=name.encode("utf-8", "backslashreplace").decode(),
            path=os.fsencode(paths[0]),
            companions=companions,
            companion_paths=tuple(os.fsencode(path) for path in paths[1:]),
            format="jpeg" if name.lower().endswith(("jpg", "jpeg")) else "dng",
            size_bytes=paths[0].stat().st_size,
            mtime_ns=paths[0].stat().st_mtime_ns,
        )

    return plant
