"""The page as a browser shows it: silent, alone, usable by keyboard, readable in light and dark."""

from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from browser.conftest import Visit
from made_trip import PictureMaker, made_report

from audit.report.page import write_page

HOSTILE = "\"><script>alert(1)</script><img src=x onerror=alert(2)><svg onload=alert(3)>'.jpg"

CONTRAST = """() => {
  const canvas = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
  const rgba = text => {
    canvas.clearRect(0, 0, 1, 1); canvas.fillStyle = text; canvas.fillRect(0, 0, 1, 1);
    return [...canvas.getImageData(0, 0, 1, 1).data];
  };
  const light = ([r, g, b]) => {
    const part = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
    return 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  };
  const ground = element => {
    for (let at = element; at; at = at.parentElement) {
      const colour = rgba(getComputedStyle(at).backgroundColor);
      if (colour[3] === 255) return colour;
    }
    return [255, 255, 255, 255];
  };
  const bad = [];
  let looked = 0;
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || element.closest('script,style,title,option')) continue;
    const style = getComputedStyle(element);
    const colour = rgba(element.closest('svg') ? style.fill : style.color);
    const [a, b] = [light(colour), light(ground(element))].sort((x, y) => y - x);
    looked += 1;
    if ((a + 0.05) / (b + 0.05) < 4.5) bad.push(walker.currentNode.data.trim().slice(0, 40));
  }
  return {bad, looked};
}"""
"""Contrast of every text against the ground behind it: WCAG 2.2, 1.4.3 and its definition of
relative luminance."""

SMALL_TARGETS = """() => [...document.querySelectorAll('a, button, select, input, summary')]
  .filter(e => e.getClientRects().length && !e.closest('svg') && !e.matches('.skip'))
  .filter(e => !e.matches('p a'))
  .map(e => [e.textContent.trim().slice(0, 30), e.getBoundingClientRect()])
  .filter(([, box]) => box.height && (box.height < 24 || box.width < 24))
  .map(([text, box]) => `${text}: ${box.width} x ${box.height}`)"""
"""Targets under 24 CSS pixels: WCAG 2.2, 2.5.8."""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_said_nothing_is_asked_and_all_text_can_be_read(
    browser: Any, address: str, scheme: str
) -> None:
    with Visit(browser, address, color_scheme=scheme) as visit:
        visit.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        visit.page.mouse.wheel(0, 3000)
        contrast = visit.page.evaluate(CONTRAST)

        assert visit.said == []
        assert all(asked.startswith(("file:", "data:")) for asked in visit.asked)
        assert contrast["looked"] > 300
        assert contrast["bad"] == []


def test_pictures_arrive(browser: Any, address: str) -> None:
    with Visit(browser, address) as visit:
        visit.page.eval_on_selector(".frame", "frame => frame.scrollIntoView()")
        visit.page.wait_for_function(
            "() => [...document.querySelectorAll('.frame')[0].querySelectorAll('img')]"
            ".every(i => i.complete && i.naturalWidth)"
        )


@pytest.mark.parametrize("width", [320, 1920])
def test_no_sideways_scrolling_and_targets_large_enough(
    browser: Any, address: str, width: int
) -> None:
    """WCAG 2.2, 1.4.10 asks for 320 CSS pixels."""
    with Visit(browser, address, viewport={"width": width, "height": 900}) as visit:
        visit.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")

        assert visit.page.evaluate("document.documentElement.scrollWidth") <= width
        assert visit.page.evaluate(SMALL_TARGETS) == []


def test_all_controls_by_keyboard(browser: Any, address: str) -> None:
    with Visit(browser, address) as visit:
        page = visit.page
        everything = visit.shown()
        page.focus("#by-verdict")
        page.keyboard.type("reject")
        page.keyboard.press("Tab")
        rejects = visit.shown()
        assert 0 < len(rejects) < len(everything)
        assert page.eval_on_selector_all(
            ".frame:not([hidden])", "all => all.every(f => f.dataset.v === 'reject')"
        )
        assert page.text_content("#count") == f"{len(rejects)} of {len(everything)} frames"

        page.keyboard.press("Tab")  # past the kind of finding
        page.keyboard.type("00002")
        assert len(visit.shown()) == 1

        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")  # show all
        page.wait_for_function(
            "n => document.querySelector('#count').textContent === `${n} frames`",
            arg=len(everything),
        )
        assert visit.shown() == everything

        page.focus("#order")
        page.keyboard.type("as taken")
        page.keyboard.press("Tab")
        times = page.eval_on_selector_all(".frame", "all => all.map(f => f.dataset.t)")
        assert times == sorted(times)
        page.select_option("#order", "")
        assert visit.shown() == everything


def test_steps_from_frame_to_frame_by_key(browser: Any, address: str) -> None:
    with Visit(browser, address) as visit:
        first, second, *_ = visit.shown()
        visit.page.focus(f"#{first} .name")
        visit.page.keyboard.press("n")
        assert visit.page.evaluate("document.activeElement.closest('.frame').id") == second
        visit.page.keyboard.press("p")
        assert visit.page.evaluate("document.activeElement.closest('.frame').id") == first


def test_the_tabulator_key_meets_every_control_with_a_visible_focus(
    browser: Any, address: str
) -> None:
    with Visit(browser, address) as visit:
        met = set()
        for _ in range(30):
            visit.page.keyboard.press("Tab")
            seen = visit.page.evaluate(
                "() => [document.activeElement.id,"
                " getComputedStyle(document.activeElement).outlineStyle]"
            )
            met.add(seen[0])
            assert seen[1] != "none"

        assert {"by-verdict", "by-kind", "by-name", "order"} <= met


def test_a_point_of_a_chart_leads_to_its_frame_even_if_that_is_hidden(
    browser: Any, address: str
) -> None:
    with Visit(browser, address) as visit:
        visit.page.fill("#by-name", "no such frame")
        assert visit.shown() == []
        target = visit.page.get_attribute(".chart a", "href")
        visit.page.focus(".chart a")
        visit.page.keyboard.press("Enter")
        visit.page.wait_for_function("() => document.querySelector('.frame:target')")
        assert f"#{visit.page.get_attribute('.frame:target', 'id')}" == target
        assert visit.page.is_visible(".frame:target")


def test_without_script_everything_is_there(browser: Any, address: str) -> None:
    with Visit(browser, address, java_script_enabled=False) as visit:
        assert visit.page.locator(".frame").count() == 30
        assert not visit.page.is_visible("#choose")
        visit.page.click("summary >> nth=0")
        assert visit.page.is_visible("details[open] >> nth=0")


def test_hostile_names_do_nothing(browser: Any, tmp_path: Path) -> None:
    trip = made_report(6)
    frame = msgspec.structs.replace(
        trip.frames[0],
        file=HOSTILE,
        notes=(HOSTILE,),
        exposure=msgspec.structs.replace(
            trip.frames[0].exposure, lens=HOSTILE, model=HOSTILE, taken_at=HOSTILE
        ),
    )
    report = msgspec.structs.replace(
        trip, frames=(frame, *trip.frames[1:]), series=(), folders=(HOSTILE,)
    )
    write_page(report, PictureMaker(np.random.default_rng(0)), tmp_path)

    with Visit(browser, (tmp_path / "index.html").as_uri()) as visit:
        visit.page.select_option("#order", "time")

        assert visit.said == []
        assert visit.page.text_content("#frame-1 .name") == HOSTILE
        assert visit.page.evaluate("document.scripts.length") == 1


def test_the_print_is_whole(browser: Any, address: str) -> None:
    """A PDF of all frames, controls left out; pictures that were never on the screen are in it."""
    with Visit(browser, address) as visit:
        visit.page.evaluate("window.print = () => { window.printed = true; }")
        visit.page.click("#print")
        visit.page.wait_for_function("() => window.printed")
        visit.page.emulate_media(media="print")
        assert not visit.page.is_visible("#choose")
        pdf = visit.page.pdf(format="A4")

        assert pdf.startswith(b"%PDF")
        assert pdf.count(b"/Subtype /Image") >= 90
