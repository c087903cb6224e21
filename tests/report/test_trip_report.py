"""The trip report as text, as JSON and as a part of the page."""

import io
import json
from pathlib import Path

import jsonschema
import msgspec
import pytest
from simulated_trip import PLANS, trip_of

from audit.records import Report
from audit.report import trip_json, trip_terminal
from audit.report.page import write_page
from audit.report.screen import Screen
from audit.report.trip_words import Table
from audit.trip import trip_report
from audit.trip_records import TripReport

SCHEMA = Path(__file__).parents[2] / "docs" / "trip.schema.json"
SEED = 3


def told(name: str | None) -> TripReport:
    return trip_report(trip_of(name, SEED))


def text_of(trip: TripReport, width: int = 80, *, everything: bool = False) -> str:
    out = io.StringIO()
    trip_terminal.write(trip, out, width=width, everything=everything)
    return out.getvalue()


@pytest.mark.parametrize("width", [80, 140])
@pytest.mark.parametrize("name", PLANS)
def test_no_line_is_wider_than_the_terminal(name: str, width: int) -> None:
    assert max(map(len, text_of(told(name), width, everything=True).splitlines())) <= width


def test_the_text_holds_every_statement_with_what_it_rests_on() -> None:
    trip = told("tripod and dust")
    text = " ".join(text_of(trip, 140).split())

    for each in trip.statements:
        assert each.message in text
        assert f"{each.frames} frames, {each.scenes} scenes, confidence" in text


def test_a_quiet_trip_says_that_nothing_is_to_be_changed() -> None:
    assert trip_terminal.NOTHING_TO_CHANGE in text_of(told(None))


def test_a_trip_without_a_measured_frame_says_so() -> None:
    empty = trip_report(msgspec.structs.replace(trip_of(None, SEED), frames=()))

    assert text_of(empty) == "No frame was measured, so nothing can be said about the trip.\n"


def test_a_name_from_a_card_steers_no_terminal() -> None:
    report = trip_of(None, SEED)
    frames = tuple(
        msgspec.structs.replace(
            each, exposure=msgspec.structs.replace(each.exposure, lens="L\x1b[2Jens")
        )
        for each in report.frames
    )

    assert "\x1b" not in text_of(trip_report(msgspec.structs.replace(report, frames=frames)))


def test_the_json_fits_the_published_schema_and_comes_back_whole() -> None:
    trip = told("hand and night")
    out = io.StringIO()
    trip_json.write(trip, out)

    jsonschema.validate(json.loads(out.getvalue()), json.loads(SCHEMA.read_text("utf-8")))
    assert msgspec.json.decode(out.getvalue(), type=TripReport) == trip


def test_the_published_schema_is_current() -> None:
    assert SCHEMA.read_text(encoding="utf-8") == trip_json.schema_text()


@pytest.fixture(scope="module", name="page")
def page_fixture(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("page")
    report: Report = trip_of("tripod and dust", SEED)
    write_page(report, lambda _, __: b"", folder, trip=trip_report(report))
    return (folder / "index.html").read_text(encoding="utf-8")


def test_the_page_holds_what_the_frames_say_together(page: str) -> None:
    assert "What the frames say together" in page
    assert "On a tripod the camera shook in" in page
    assert 'id="chart-light-title"' in page


def test_the_page_grows_by_little(page: str, tmp_path: Path) -> None:
    """40 kB is two frames of the page (project's choice)."""
    write_page(trip_of("tripod and dust", SEED), lambda _, __: b"", tmp_path)
    without = (tmp_path / "index.html").read_text(encoding="utf-8")

    assert "What the frames say together" not in without
    assert len(page) - len(without) < 40_000


@pytest.mark.parametrize(
    ("left_out", "words"), [(1, "and 1 row (--all)"), (4, "and 4 rows (--all)")]
)
def test_rows_that_are_left_out_are_counted(left_out: int, words: str) -> None:
    out = io.StringIO()
    rows = tuple((f"lens {n}", "8") for n in range(trip_terminal.ROWS_SHOWN + left_out))

    trip_terminal._write_table(
        Screen(out, width=80, colour=False),
        Table(title="Scenes", headings=("lens", "scenes"), rows=rows),
        everything=False,
    )

    assert out.getvalue().splitlines()[-1] == f"      ... {words}"
