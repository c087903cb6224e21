"""All evidence for one frame is on one sheet: figures, units, limits, sources."""

import io
import os
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.records import AuditedFrame, FindingCode, Report, SharpnessMap
from audit.report import why
from audit.settings import limit_notes

GOLDEN = Path(__file__).parent / "golden"
RENEW = "FRAME_AUDIT_RENEW_GOLDEN"
SOURCES = [why.LimitSource(*note) for note in limit_notes()]


def sheet(report: Report, frame: AuditedFrame, *, width: int = 80) -> str:
    out = io.StringIO()
    why.write(report, frame, out, limits=SOURCES, width=width)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "at"), [("why_reject", 6), ("why_no_edges", 5), ("why_unread", 7)]
)
def test_the_sheet_is_as_agreed(made_report: Report, name: str, at: int) -> None:
    text = sheet(made_report, made_report.frames[at])
    golden = GOLDEN / f"{name}.txt"
    if os.environ.get(RENEW):
        golden.write_text(text, encoding="utf-8")
    assert text == golden.read_text(encoding="utf-8")


def test_every_kind_of_finding_names_limits_that_the_settings_have() -> None:
    known = {source.name for source in SOURCES}
    assert set(why.LIMITS_BEHIND) == set(get_args(FindingCode))
    assert {name for names in why.LIMITS_BEHIND.values() for name in names} <= known
    assert set(why.LIMITS_BEHIND_THE_VERDICT) <= known


def test_each_finding_shows_value_limit_confidence_and_the_source_of_the_limit(
    made_report: Report,
) -> None:
    text = re.sub(r"\s+", " ", sheet(made_report, made_report.frames[6]))
    assert "found 8.1 %, limit 2 %, confidence 100 %" in text
    assert "lost_highlight_share = 2 %" in text
    assert "Source: common practice, no source" in text


def test_the_limit_in_force_is_shown_not_its_default(made_report: Report) -> None:
    limits = {**made_report.settings.limits, "lost_highlight_share": 0.05}
    used = msgspec.structs.replace(made_report.settings, limits=limits)
    changed = msgspec.structs.replace(made_report, settings=used)
    assert "lost_highlight_share = 5 %" in sheet(changed, changed.frames[6])


def test_a_wide_map_is_split_and_no_tile_is_lost(made_report: Report) -> None:
    cols = 40
    widths = tuple(tuple(10 * row + col / 10 for col in range(cols)) for row in range(2))
    sharpness = msgspec.structs.replace(
        made_report.frames[0].sharpness, map=SharpnessMap(rows=2, cols=cols, edge_width_px=widths)
    )
    text = sheet(made_report, msgspec.structs.replace(made_report.frames[0], sharpness=sharpness))
    grid = text.split("Map of edge widths")[1].split("Both ends")[0]
    assert max(map(len, grid.splitlines()[1:])) <= 80
    shown = re.findall(r"\d+\.\d", grid)
    assert sorted(shown) == sorted(f"{width:.1f}" for row in widths for width in row)


def test_what_is_unknown_is_said_to_be(made_report: Report) -> None:
    text = sheet(made_report, made_report.frames[4])
    assert re.search(r"shutter +not known", text)
    assert re.search(r"Airy diameter +not known", text)


@settings(max_examples=50, deadline=None)
@given(name=st.text(st.characters(exclude_categories=()), min_size=1, max_size=60))
def test_hostile_text_stays_inert(renamed_report: Callable[[str], Report], name: str) -> None:
    report = renamed_report(name)
    for frame in report.frames:
        found = {unicodedata.category(each) for each in sheet(report, frame).replace("\n", "")}
        assert not found & {"Cc", "Cf", "Cs", "Zl", "Zp"}
