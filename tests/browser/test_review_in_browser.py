"""The review in a browser: a cull by keyboard, two tabs, silence, contrast, narrow and wide."""

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self

import pytest
from browser.test_page_in_browser import CONTRAST, SMALL_TARGETS
from review.conftest import Client, make_trip, reviewed

from audit.commands.review import _write_way_in

PATIENCE_MS = 30_000

SAMPLE = Path(__file__).parents[2] / "sample_data"

ORDER = ("keeper", "look-again", "reject")
KEYS = {"keeper": "k", "look-again": "l", "reject": "r"}

FILES = tuple(f"{'soft' if at % 3 == 1 else 'sharp'}_{at}.jpg" for at in range(6))


@pytest.fixture(name="here")
def here_fixture(tmp_path: Path) -> Iterator[Client]:
    make_trip(tmp_path / "trip", tmp_path / "cache", FILES)
    with reviewed(tmp_path / "trip", tmp_path / "cache", tmp_path / "kept") as client:
        yield client


class Look:
    """A browser that was let in, and all that it said and asked for."""

    def __init__(self, browser: Any, client: Client, **options: Any) -> None:
        self.client = client
        self.context = browser.new_context(**options)
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page = self.new_page()
        self.page.goto(client.review.gate.address)
        self.page.locator("h1").wait_for()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()

    def new_page(self) -> Any:
        page = self.context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.on("console", lambda message: self.said.append(message.text))
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))
        return page

    def go(self, path: str, page: Any = None) -> Any:
        page = page or self.page
        page.goto(f"http://{self.client.host}{path}")
        if path.startswith("/set/"):
            ready(page)
        return page


def ready(page: Any) -> None:
    page.locator("#set[data-ready='1']").wait_for()


def message(page: Any, start: str) -> str:
    """Wait for the page's word; a decision counts from there."""
    found = page.locator("#message", has_text=start)
    found.wait_for()
    return str(found.text_content())


def cull(look: Look, wanted: dict[str, str]) -> None:
    """Decide on every frame by keyboard alone, from the first set to the end."""
    page = look.page
    first = look.client.review.sitting.sets()[0].frames[0]
    look.go(f"/set/{first}")
    for frame_set in look.client.review.sitting.sets():
        ready(page)
        for at, number in enumerate(frame_set.frames):
            seen = look.client.review.sitting.frame(number)
            assert seen is not None
            page.keyboard.press(KEYS[wanted[seen.row.file]])
            message(page, f"Kept: {seen.row.file}")
            if at + 1 < len(frame_set.frames):
                page.keyboard.press("ArrowRight")
        with page.expect_navigation():
            page.keyboard.press("PageDown")
    assert page.url.endswith("/end")


def write_the_end(page: Any) -> None:
    """Rate keepers with 4, copy them, confirm: by keyboard."""
    page.focus("select[name=keeper]")
    page.keyboard.type("4")
    page.focus("#wishes button")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    page.focus("#confirm")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    page.locator("#done").wait_for()


def test_a_whole_cull_by_keyboard_rates_and_copies_the_right_files(
    browser: Any, here: Client, tmp_path: Path
) -> None:
    """tests/benchmarks/review_page.py does the same on sample_data."""
    trip = tmp_path / "trip"
    before = {file: hashlib.sha256((trip / file).read_bytes()).hexdigest() for file in FILES}
    wanted = {file: ORDER[at % 3] for at, file in enumerate(FILES)}
    with Look(browser, here) as look:
        cull(look, wanted)
        write_the_end(look.page)

        assert look.said == []
        assert all(each.startswith(f"http://{here.host}/") for each in look.asked)
    keepers = {file for file, word in wanted.items() if word == "keeper"}
    assert {path.name for path in (tmp_path / "kept").glob("*.jpg")} == keepers
    rated = {path.stem for path in trip.glob("*.xmp") if "<xmp:Rating>4<" in path.read_text()}
    assert rated == {file.removesuffix(".jpg") for file in keepers}
    assert before == {f: hashlib.sha256((trip / f).read_bytes()).hexdigest() for f in FILES}


def test_a_browser_comes_in_by_the_file_that_it_is_handed(
    browser: Any, here: Client, tmp_path: Path
) -> None:
    """From a file to the ticket to the sets: a cookie of the strict kind must survive the way."""
    way_in = tmp_path / "way-in.html"
    _write_way_in(way_in, here.review.gate.address)
    context = browser.new_context()
    page = context.new_page()
    page.goto(way_in.as_uri())
    page.locator("h1", has_text="Sets in order of time").wait_for(timeout=PATIENCE_MS)
    assert page.url == f"http://{here.host}/"
    assert page.evaluate("document.cookie") == ""
    context.close()


def test_undo_note_and_accept_by_keys_and_by_mouse(browser: Any, here: Client) -> None:
    number = here.review.sitting.sets()[0].frames[0]
    with Look(browser, here) as look:
        page = look.go(f"/set/{number}")
        page.keyboard.press("r")
        message(page, "Kept")
        page.keyboard.press("Control+z")
        message(page, "After undo")
        assert page.locator(".pane:not([hidden]) .own").first.text_content() == "none yet"
        page.keyboard.press("Control+y")
        message(page, "After redo")
        page.keyboard.press("n")
        page.keyboard.type("kr: the heron")
        page.click("#note-form button[type=submit]")
        message(page, "The note is kept")
        page.click("button[data-word='']")
        message(page, "the program's own word")
        page.click("button[data-do=accept]")
        message(page, "Kept: the program's word is yours")
        seen = here.review.sitting.frame(number)
        assert seen is not None
        assert seen.decision.note == "kr: the heron"
        assert seen.decision.word == seen.row.verdict


def test_two_tabs_at_once_tell_each_other(browser: Any, here: Client) -> None:
    number = here.review.sitting.sets()[0].frames[0]
    with Look(browser, here) as look:
        one = look.go(f"/set/{number}")
        two = look.go(f"/set/{number}", look.new_page())
        two.keyboard.press("r")
        message(two, "Kept")
        one.bring_to_front()
        one.locator(f".pane[data-number='{number}'][data-word='reject']").wait_for(state="attached")
        one.keyboard.press("k")
        message(one, "Kept")
        two.bring_to_front()
        two.locator(f".pane[data-number='{number}'][data-word='keeper']").wait_for(state="attached")


def test_drawings_places_and_single_keys_switched_off(browser: Any, here: Client) -> None:
    number = here.review.sitting.sets()[0].frames[0]
    with Look(browser, here) as look:
        page = look.go(f"/set/{number}")
        page.keyboard.press("c")
        assert "is lost there" in message(page, "Clipped place 1 of")
        page.keyboard.press("h")
        page.locator("#whole-drawn .lost").first.wait_for(state="attached")
        page.keyboard.press("e")
        page.locator(".pane:not([hidden]) .drawn text").first.wait_for(state="attached")
        page.locator(".layer img:not([hidden])").first.wait_for(state="attached")
        look.go("/help")
        page.uncheck("#single-keys")
        look.go(f"/set/{number}")
        page.keyboard.press("k")
        page.keyboard.press("Control+z")
        message(page, "There is nothing more to undo")


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (2560, "dark")])
def test_every_page_can_be_read_and_touched(
    browser: Any, here: Client, width: int, scheme: str
) -> None:
    """WCAG 2.2: 1.4.3 contrast, 1.4.10 reflow, 2.5.8 targets of 24 CSS pixels."""
    options = {"color_scheme": scheme, "viewport": {"width": width, "height": 900}}
    with Look(browser, here, **options) as look:
        for path in ("/", "/set/0", "/end", "/agreement", "/help"):
            page = look.go(path)
            contrast = page.evaluate(CONTRAST)
            assert contrast["looked"] > 5
            assert contrast["bad"] == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert page.evaluate(SMALL_TARGETS) == [], path
        assert look.said == []


def test_a_review_that_was_stopped_is_told(browser: Any, here: Client) -> None:
    with Look(browser, here) as look:
        page = look.go("/set/0")
        page.route("**/decide", lambda route: route.abort())
        page.keyboard.press("k")
        message(page, "The review does not answer")
        assert page.locator(".pane").first.get_attribute("data-word") == ""


def test_the_list_comes_by_itself_once_frames_are_measured(browser: Any, here: Client) -> None:
    """The page as it is before the first frame; the state says that some are there."""

    def before_the_first(route: Any) -> None:
        response = route.fetch()
        awaited = '<p id="awaited">No frame is measured yet.</p>'
        text = re.sub(r'<ol class="sets">.*?</ol>', awaited, response.text(), flags=re.DOTALL)
        route.fulfill(response=response, body=text)

    with Look(browser, here) as look:
        look.page.route("**/", before_the_first, times=1)
        look.go("/")
        assert look.page.locator("#awaited").count() == 1
        look.page.locator("ol.sets").wait_for()
