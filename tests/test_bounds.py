"""What one file may cost is a setting, reaches the worker, and is documented."""

import os
from pathlib import Path

import msgspec
import pytest
from PIL import Image

from audit.errors import SettingsError
from audit.examine import examine
from audit.records import Frame, Unread
from audit.settings import Bounds, read_settings_file

DOCS = Path(__file__).parents[1] / "docs"


@pytest.fixture(name="frame")
def frame_fixture(tmp_path: Path) -> Frame:
    """A grey picture of 320,000 pixels."""
    path = tmp_path / "a.jpg"
    Image.new("L", (800, 400), 90).save(path)
    return Frame(file="a.jpg", path=os.fsencode(path), format="jpeg", size_bytes=9, mtime_ns=0)


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        (Bounds(largest_mp=0.3), "at most 300,000 pixels, found 800 x 400"),
        (Bounds(largest_gb=1e-9), "at most 1e-09 GB"),
    ],
)
def test_a_frame_past_a_bound_is_too_large(frame: Frame, bounds: Bounds, words: str) -> None:
    result = examine(frame, bounds)

    assert isinstance(result, Unread)
    assert result.state == "too-large"
    assert words in result.message


def test_bounds_come_from_the_settings_file(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text("[bounds]\nlargest_mp = 12\ndeadline_s = 5\n")

    assert read_settings_file(file).bounds == Bounds(largest_mp=12, deadline_s=5)


def test_a_bound_that_does_not_exist_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text("[bounds]\nlargest_mpx = 12\n")

    with pytest.raises(SettingsError, match="largest_mpx"):
        read_settings_file(file)


def test_every_bound_is_documented_with_its_default() -> None:
    page = (DOCS / "reliability.md").read_text(encoding="utf-8")

    for field in msgspec.structs.fields(Bounds):
        assert f"| `{field.name}` | {field.default:g} |" in page
