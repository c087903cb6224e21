"""The field card as a browser shows and prints it: silent, readable, one sheet of paper."""

import re
from pathlib import Path
from typing import Any

import pytest
from browser.conftest import Visit
from browser.test_page_in_browser import CONTRAST
from plan.planted_plan import camera, planned

from audit.plan import plan_of
from audit.plan_records import (
    Asked,
    BracketAsked,
    DepthAsked,
    PanoramaAsked,
    Plan,
    StarsAsked,
    WaterAsked,
)
from audit.report import field_card
from audit.settings import PrintSize, Settings

TIMES_S = (*(1 / below for below in (1000, 500, 125, 60, 15, 4)), 1.0, 2.0, 8.0, 15.0, 20.0, 30.0)


def fullest() -> Plan:
    """Every subject, each with as many rows as it may have.

    The print is small, so that the table of apertures is long; distances are far, so that its
    figures are wide.
    """
    asked = Asked(
        camera=camera(2.41, 13.2, 8.8),
        focal_mm=100,
        depth=DepthAsked(near_m=3.0),
        water=WaterAsked(speed_m_per_s=2, distance_m=5, shutters_s=TIMES_S),
        stars=StarsAsked(),
        panorama=PanoramaAsked(width_deg=160, height_deg=100, overlap=0.3, held="portrait"),
        bracket=BracketAsked(range_ev=18, frame_range_ev=2, step_ev=2, middle_shutter_s=1 / 60),
    )
    return plan_of(asked, Settings(print_size=PrintSize(9.0, 6.0), viewing_cm=20.0))


@pytest.fixture(name="card", scope="module")
def card_fixture(tmp_path_factory: pytest.TempPathFactory) -> str:
    path: Path = tmp_path_factory.mktemp("card") / "card.html"
    path.write_text(field_card.card_text(fullest()), encoding="utf-8")
    return path.as_uri()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_silent_alone_and_readable(browser: Any, card: str, scheme: str) -> None:
    with Visit(browser, card, color_scheme=scheme) as visit:
        contrast = visit.page.evaluate(CONTRAST)

        assert visit.said == []
        assert visit.asked == [card]
        assert contrast["looked"] > 200
        assert contrast["bad"] == []


@pytest.mark.parametrize("width", [320, 360, 1200])
def test_no_sideways_scrolling(browser: Any, card: str, width: int) -> None:
    """WCAG 2.2, 1.4.10 asks for 320 CSS pixels; a wide table scrolls by itself, by keyboard too."""
    with Visit(browser, card, viewport={"width": width, "height": 900}) as visit:
        assert visit.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_on_one_sheet(browser: Any, card: str, paper: str, tmp_path: Path) -> None:
    """The fullest card there can be, and the emptiest."""
    least = tmp_path / "least.html"
    least.write_text(field_card.card_text(planned()), encoding="utf-8")
    for address in (card, least.as_uri()):
        with Visit(browser, address) as visit:
            pdf = visit.page.pdf(format=paper)
            assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1


@pytest.mark.parametrize(("width", "height"), [(725, 1054), (748, 987)], ids=["A4", "Letter"])
def test_nothing_is_cut_off_on_paper(browser: Any, card: str, width: int, height: int) -> None:
    """Sheets less 9 mm all round, in CSS pixels of 1/96 inch."""
    with Visit(browser, card, viewport={"width": width, "height": height}) as visit:
        visit.page.emulate_media(media="print")
        over = visit.page.evaluate(
            "Math.max(...[...document.querySelectorAll('table')]"
            ".map(t => t.scrollWidth - t.parentElement.clientWidth))"
        )
        assert over <= 0
        assert visit.page.evaluate("document.documentElement.scrollHeight") <= height
