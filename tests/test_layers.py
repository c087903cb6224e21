"""The import table of DEVELOPERS.md, held: every part imports downward only."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "audit"
EVERYWHERE = {"errors", "version"}
MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "version": set(),
    "transaction": set(),
    "records": set(),
    "settings": set(),
    "optics": set(),
    "measure": set(),
    "decode": {"records"},
    "store": {"records", "transaction"},
    "machine": set(),
    "workers": {"records", "machine"},
    "cluster": {"records", "workers"},
    "report": {"records", "trip_records", "plan_records"},
    "trip_records": {"records"},
    "plan_records": {"records"},
    "plan": {"records", "settings", "optics", "plan_records"},
    "outputs": {"report", "words", "streams"},
    "trip": {"records", "optics", "diagnose", "trip_records"},
    "scan": {"records", "settings"},
    "rank": {"records", "settings"},
    "card": {"records"},
    "diagnose": {"records", "settings", "optics"},
    "series": {"records", "settings", "optics"},
    "pictures": {"records", "decode", "measure"},
    "integrity": {"decode", "measure"},
    "recording": {"records", "settings", "measure"},
    "examine": {
        "records",
        "settings",
        "decode",
        "measure",
        "integrity",
        "pictures",
        "recording",
    },
    "examine_quick": {
        "records",
        "settings",
        "decode",
        "measure",
        "pictures",
        "recording",
        "examine",
    },
    "kept": {"records", "settings", "scan", "store", "decode"},
    "measuring": {
        "records",
        "settings",
        "store",
        "machine",
        "workers",
        "cluster",
        "examine",
        "examine_quick",
    },
    "rows": {"records", "settings", "diagnose", "series", "rank", "kept"},
    "run": {"records", "settings", "scan", "card", "store", "kept", "measuring", "rows", "rank"},
    "carry": {"records", "report"},
    "review": {
        "transaction",
        "records",
        "settings",
        "machine",
        "workers",
        "store",
        "kept",
        "decode",
        "measure",
        "pictures",
        "series",
        "report",
        "carry",
    },
    "words": {"settings", "cluster", "report"},
    "streams": {"report", "words"},
    "commands": {
        "records",
        "settings",
        "run",
        "report",
        "carry",
        "review",
        "words",
        "streams",
        "trip",
        "outputs",
        "plan",
        "plan_records",
    },
    "cli": {"settings", "run", "report", "words", "streams", "commands", "trip", "outputs"},
    "__init__": {"records", "settings", "run"},
    "__main__": {"cli"},
}
PARTS_OF_IMAGE_LIBRARIES = {"rawpy", "PIL", "simplejpeg", "exifread", "lensfunpy", "imageio"}
MAY_USE_IMAGE_LIBRARIES = {"decode", "examine"}


def imported_modules(path: Path) -> Iterator[str]:
    """Dotted names of everything that a file imports, at any depth of nesting."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module == "audit":
            yield from (f"audit.{name.name}" for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module or ""
        elif isinstance(node, ast.Import):
            yield from (name.name for name in node.names)


def part_of(path: Path) -> str:
    return path.relative_to(ROOT).with_suffix("").parts[0]


SOURCES = sorted(ROOT.rglob("*.py"))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_point_one_way(path: Path) -> None:
    part = part_of(path)
    used = {name.split(".")[1] for name in imported_modules(path) if name.startswith("audit.")}

    assert used - {part} - EVERYWHERE <= MAY_IMPORT[part]


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_only_decode_reads_pictures_and_exif(path: Path) -> None:
    """`examine` may write its preview by imageio; nothing else touches a picture library."""
    used = {name.split(".")[0] for name in imported_modules(path)} & PARTS_OF_IMAGE_LIBRARIES

    assert not used or part_of(path) in MAY_USE_IMAGE_LIBRARIES


def test_every_part_stands_in_the_table() -> None:
    assert {part_of(path) for path in SOURCES} <= set(MAY_IMPORT)
