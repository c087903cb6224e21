"""A plan on a terminal, as JSON and on the card: all figures, in both systems of units."""

import io
import json
import math
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest
from plan.planted_plan import planned

from audit.plan_records import BracketAsked, DepthAsked, PanoramaAsked, Plan, StarsAsked, WaterAsked
from audit.report import field_card, plan_json, plan_terminal
from audit.report.plan_view import facts_of, sections_of
from audit.report.units import distance, length, wished_print
from audit.settings import PrintSize, Settings, parse_length_cm

PUBLISHED = Path(__file__).parents[2] / "docs" / "plan.schema.json"
HOSTILE = '"><script>alert(1)</script>\x1b[31m\u202e.jpg'


@pytest.fixture(name="everything", scope="module")
def everything_fixture() -> Plan:
    return planned(
        settings=Settings(print_size=PrintSize(90.0, 60.0)),
        depth=DepthAsked(near_m=1.5, far_m=math.inf),
        water=WaterAsked(speed_m_per_s=2, distance_m=5, shutters_s=(1 / 4, 2.0)),
        stars=StarsAsked(),
        panorama=PanoramaAsked(width_deg=120, height_deg=80, overlap=0.3, held="portrait"),
        bracket=BracketAsked(range_ev=14, frame_range_ev=8, step_ev=2, middle_shutter_s=1 / 60),
    )


def on_terminal(plan: Plan, width: int = 80) -> str:
    out = io.StringIO()
    plan_terminal.write(plan, out, width=width)
    return out.getvalue()


def as_json(plan: Plan) -> Any:
    out = io.StringIO()
    plan_json.write(plan, out)
    return json.loads(out.getvalue(), parse_constant=lambda name: pytest.fail(name))


@pytest.mark.parametrize(
    ("metres", "text"),
    [(3.0, "3 m (9.84 ft)"), (0.3048, "0.305 m (1 ft)"), (30.48, "30.5 m (100 ft)")],
)
def test_metres_and_feet(metres: float, text: str) -> None:
    """The international foot of 1959 is 0.3048 m, exactly."""
    assert distance(metres) == text


def test_centimetres_and_inches() -> None:
    """The international inch of 1959 is 2.54 cm, exactly."""
    assert length(50.8) == "50.8 cm (20 in)"
    assert wished_print(91.44, 60.96) == "91.4 × 61 cm (36 × 24 in)"
    assert parse_length_cm("10ft") == pytest.approx(304.8)
    assert parse_length_cm("20in") == pytest.approx(50.8)
    assert parse_length_cm("2'") == pytest.approx(60.96)


def test_the_schema_is_what_the_records_give(everything: Plan) -> None:
    assert PUBLISHED.read_text(encoding="utf-8") == plan_json.schema_text()
    jsonschema.Draft202012Validator.check_schema(plan_json.schema())
    jsonschema.Draft202012Validator(plan_json.schema()).validate(as_json(everything))


def test_infinity_is_told_in_json_without_a_number_that_json_lacks(everything: Plan) -> None:
    film = as_json(everything)["depth"]["rows"][-1]
    assert film["far_m"] is None
    assert film["to_infinity"] is True
    assert as_json(planned())["water"] is None


def test_every_section_stands_on_the_terminal_and_on_the_card(everything: Plan) -> None:
    text, card = on_terminal(everything), field_card.card_text(everything)
    titles = [section.title for section in sections_of(everything)]
    assert titles == [
        "How far to stop down",
        "What will be sharp",
        "From the hand",
        "Running water",
        "Stars as points",
        "Panorama",
        "Exposure bracket",
    ]
    for title in titles:
        assert title in text
        assert f">{title}</h2>" in card
    for caution in everything.cautions:
        assert caution.text in card
        assert " ".join(caution.text.split()) in " ".join(text.split())


@pytest.mark.parametrize("width", [80, 100, 140])
def test_no_line_is_wider_than_the_terminal_and_wide_ones_have_every_column(
    everything: Plan, width: int
) -> None:
    lines = on_terminal(everything, width).splitlines()
    assert max(map(len, lines)) <= width
    head = next(line for line in lines if "hyperfocal" in line)
    assert "print in" in head
    assert width < 100 or "edge px" in head


def test_what_was_not_asked_is_not_told() -> None:
    titles = [section.title for section in sections_of(planned())]
    assert titles == ["How far to stop down", "What will be sharp", "From the hand"]


def test_figures_of_the_table_are_those_of_the_plan(everything: Plan) -> None:
    """By hand: f/8 on 4.35 um, print rounded down, long side first."""
    table = next(iter(sections_of(everything))).table
    assert table is not None
    row = next(each for each in everything.aperture.rows if each.aperture_n == 8)
    shown = next(cells for cells in table.rows if cells[0].startswith("f/8"))
    assert shown[1].split(" × ")[0] == str(int(row.long_cm))
    assert shown[2].split(" × ")[0] == str(int(row.long_cm / 2.54))
    assert shown[3] == f"{row.cost_cm:.1f}"


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        (Settings(print_size=PrintSize(300.0, 200.0)), "The pixels are too few for this print"),
        (Settings(print_size=PrintSize(60.0, 40.0)), "even a perfect lens leaves more past f/1"),
        (Settings(), "three quarters of the largest"),
    ],
)
def test_what_a_print_asks_for_is_said(settings: Settings, sentence: str) -> None:
    assert sentence in " ".join(on_terminal(planned(settings=settings)).split())


def test_a_hostile_name_does_nothing(everything: Plan) -> None:
    camera = msgspec.structs.replace(everything.camera, source=HOSTILE)
    plan = msgspec.structs.replace(everything, camera=camera)
    card = field_card.card_text(plan)

    assert "<script" not in card
    assert "\x1b" not in card
    assert "\x1b" not in on_terminal(plan)
    assert "\u202e" not in on_terminal(plan)
    assert as_json(plan)["camera"]["source"] == HOSTILE


def test_the_card_asks_for_nothing_from_elsewhere(everything: Plan) -> None:
    card = field_card.card_text(everything)
    assert 'content="default-src &#39;none&#39;; ' in card
    assert "script-src" not in card
    assert "http://" not in card
    assert "https://" not in card


def test_facts_name_camera_lens_and_print(everything: Plan) -> None:
    facts = dict(facts_of(everything))
    assert facts["Camera"].endswith("36 × 24 mm, 8276 × 5517 px, pitch 4.35 µm")
    assert "the plan's choice" in facts["Lens"]
    assert facts["Print"] == "90 × 60 cm (35.4 × 23.6 in), seen from 50 cm (19.7 in)"
