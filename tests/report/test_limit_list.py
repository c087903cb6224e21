"""The printed list of limits is itself a settings file."""

import io
from pathlib import Path

from audit.report import limit_list
from audit.report.why import LimitSource
from audit.settings import Settings, limit_notes, read_settings_file

SOURCES = [LimitSource(*note) for note in limit_notes()]


def listed() -> str:
    out = io.StringIO()
    limit_list.write(SOURCES, out)
    return out.getvalue()


def test_the_list_read_back_gives_the_defaults(tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(listed(), encoding="utf-8")
    assert read_settings_file(path) == Settings()


def test_the_examples_in_comments_are_settings_too(tmp_path: Path) -> None:
    starts = ("# print =", "# viewing_cm", "# [[camera", "# make", "# model", "# width_")
    lines = [
        line.removeprefix("# ") if line.startswith(starts) else line
        for line in listed().splitlines()
    ]
    path = tmp_path / "limits.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    settings = read_settings_file(path)
    assert settings.print_size == (90, 60)
    assert [camera.model for camera in settings.cameras] == ["VK-50"]


def test_every_limit_stands_with_unit_meaning_and_source() -> None:
    words = " ".join(listed().replace("\n# ", " ").split())
    for note in SOURCES:
        assert f"{note.meaning}; unit: {note.unit}; source: {note.source}" in words
        assert f"{note.name} = " in words
