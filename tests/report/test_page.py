"""The page: whole, inert, accessible by what stands in it, and small."""

import os
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import msgspec
import numpy as np
import pytest
from made_trip import PictureMaker
from made_trip import made_report as made_trip

from audit.records import AuditedFrame, Finding, Report
from audit.report.page import is_ours, write_page
from audit.report.page.drawings import MAP_BOUNDS_PX

HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>\u202e.jpg'
VOID = {"meta", "img", "input", "br", "link"}


class Page(HTMLParser):
    """Elements with their attributes, and whether every one was closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def pictures() -> PictureMaker:
    return PictureMaker(np.random.default_rng(0))


@pytest.fixture(scope="module")
def trip() -> Report:
    return made_trip(30)


@pytest.fixture(scope="module")
def written(trip: Report, pictures: PictureMaker, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page")
    write_page(trip, pictures, folder)
    return folder


@pytest.fixture(scope="module")
def page(written: Path) -> Page:
    return Page((written / "index.html").read_text(encoding="utf-8"))


def test_every_element_is_closed(page: Page) -> None:
    assert page.open == []


def test_every_link_leads_somewhere_on_the_page(page: Page) -> None:
    ids = [attributes["id"] for _, attributes in page.elements if attributes.get("id")]
    targets = {attributes.get("href") or "" for attributes in page.all("a")}

    assert len(ids) == len(set(ids))
    assert targets
    assert all(target.startswith("#") for target in targets)
    assert {target[1:] for target in targets} <= set(ids)


def test_every_frame_has_its_place(page: Page, trip: Report) -> None:
    articles = page.all("article")

    assert len(articles) == len(trip.frames)
    assert {article["id"] for article in articles} == {
        f"frame-{number}" for number in range(1, len(trip.frames) + 1)
    }


def test_every_picture_has_its_size_and_says_what_was_found(page: Page, written: Path) -> None:
    images = page.all("img")

    assert len(images) == 3 * 30
    for image in images:
        assert int(image["width"] or 0) > 1
        assert int(image["height"] or 0) > 1
        assert image["loading"] == "lazy"
        assert image["alt"]
        assert (written / (image["src"] or "")).is_file()
    alts = [image["alt"] or "" for image in images]
    assert any("reject: The sharpest edges are" in alt for alt in alts)


def test_nothing_is_styled_or_scripted_in_attributes(page: Page) -> None:
    """The content policy would refuse it."""
    for _, attributes in page.elements:
        assert "style" not in attributes
        assert not any(name.startswith("on") for name in attributes)


def test_the_policy_names_no_address(page: Page) -> None:
    policy = next(
        meta["content"] or ""
        for meta in page.all("meta")
        if meta.get("http-equiv") == "Content-Security-Policy"
    )

    assert policy.startswith("default-src 'none'")
    assert "http" not in policy
    assert "unsafe" not in policy
    assert policy.count("sha256-") == 2


def test_no_address_of_another_machine_stands_in_the_page(written: Path) -> None:
    assert not re.search(r"(?:https?:)?//", (written / "index.html").read_text(encoding="utf-8"))


def test_all_kinds_of_series_are_told_apart(page: Page) -> None:
    text = " ".join(page.text)

    for words in (
        "Repeats of one view",
        "Exposure bracket",
        "Focus bracket",
        "One view at several shutter times",
        "Panorama",
        "Single frames",
        "Gap between",
        "Smallest overlap 30 %",
        "darker to brighter",
    ):
        assert words.lower() in text.lower()


def test_charts_keep_their_text_and_lead_to_frames(page: Page) -> None:
    text = " ".join(page.text)
    points = [link for link in page.all("a") if link.get("tabindex") == "-1"]

    assert "in the order of shooting, by day" in text
    assert "f/8" in text
    assert len(points) == 2 * 30
    assert not any("target" in attributes for attributes in page.all("a"))
    assert not any("xlink:href" in attributes for _, attributes in page.elements)


def test_the_legend_of_the_map_is_that_of_its_shades() -> None:
    """The style sheet writes the bounds; nothing else ties them to the drawing."""
    style = Path("audit/report/page/templates/page.css")
    text = (Path(__file__).parents[2] / style).read_text(encoding="utf-8")

    bounds = r"\9 ".join(f"{bound:g}" for bound in MAP_BOUNDS_PX)
    assert rf'content:"px\9 {bounds}\9none"' in text


def test_hostile_names_are_shown_and_never_obeyed(
    trip: Report, pictures: PictureMaker, tmp_path: Path
) -> None:
    frame = msgspec.structs.replace(
        trip.frames[0],
        file=HOSTILE,
        notes=(HOSTILE,),
        series=None,
        exposure=msgspec.structs.replace(
            trip.frames[0].exposure, lens=HOSTILE, model=HOSTILE, taken_at=HOSTILE
        ),
    )
    report = msgspec.structs.replace(
        trip, frames=(frame, *trip.frames[1:6]), folders=(HOSTILE,), series=()
    )

    write_page(report, pictures, tmp_path)

    page = Page((tmp_path / "index.html").read_text(encoding="utf-8"))
    assert len(page.all("script")) == 1
    assert all(image["src"] != "x" for image in page.all("img"))
    assert "\u202e" not in "".join(page.text)
    assert any("<script>alert(1)" in text for text in page.text)
    assert {file.suffix for file in tmp_path.rglob("*") if file.is_file()} == {".html", ".webp"}


def test_one_file_holds_all_and_keeps_its_size(
    trip: Report, pictures: PictureMaker, tmp_path: Path
) -> None:
    """At most 35 kB a frame on average and 50 kB at worst."""
    write_page(trip, pictures, tmp_path, single_file=True)

    assert [file.name for file in tmp_path.iterdir()] == ["index.html"]
    text = (tmp_path / "index.html").read_text(encoding="utf-8")
    sizes = [len(part.encode()) for part in re.findall(r"<article.*?</article>", text, re.DOTALL)]
    assert len(text.encode()) / len(trip.frames) < 35_000 + 80_000 / len(trip.frames)
    assert max(sizes) < 50_000


def test_a_trip_without_anything_is_a_page(tmp_path: Path) -> None:
    report = msgspec.structs.replace(
        made_trip(6),
        frames=(),
        series=(),
        dust=(),
        counts=msgspec.structs.replace(
            made_trip(6).counts, frames=0, measured=0, keeper=0, look_again=0, reject=0
        ),
    )

    write_page(report, _no_picture, tmp_path)

    assert "No photograph was found" in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_unread_frames_and_frames_without_pictures_say_why(
    made_report: Report, tmp_path: Path
) -> None:
    write_page(made_report, _no_picture, tmp_path)

    page = Page((tmp_path / "index.html").read_text(encoding="utf-8"))
    text = " ".join(page.text)
    for frame in made_report.frames:
        if frame.error is not None:
            assert frame.error.message.split("\x1b")[0][:20] in text
    assert page.all("img") == []


def test_a_second_page_leaves_no_picture_of_the_first(
    trip: Report, pictures: PictureMaker, tmp_path: Path
) -> None:
    write_page(trip, pictures, tmp_path)
    (tmp_path / "pictures" / "mine.webp").write_bytes(b"not ours")
    few = msgspec.structs.replace(trip, frames=trip.frames[:3])

    write_page(few, pictures, tmp_path)

    names = {file.name for file in (tmp_path / "pictures").iterdir()}
    assert len(names) == 9 + 1
    assert "mine.webp" in names


def test_the_same_report_gives_the_same_page(
    trip: Report, written: Path, pictures: PictureMaker, tmp_path: Path
) -> None:
    write_page(trip, pictures, tmp_path)

    assert (tmp_path / "index.html").read_bytes() == (written / "index.html").read_bytes()


def test_a_failure_leaves_the_old_page(
    trip: Report, pictures: PictureMaker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_page(trip, pictures, tmp_path)
    before = (tmp_path / "index.html").read_bytes()

    def refuse(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(OSError, match="No space"):
        write_page(msgspec.structs.replace(trip, frames=trip.frames[:3]), pictures, tmp_path)

    assert (tmp_path / "index.html").read_bytes() == before
    assert not list(tmp_path.glob(".frame-audit-*"))


def test_a_page_of_others_is_told_from_ours(written: Path, tmp_path: Path) -> None:
    assert is_ours(written)
    assert is_ours(tmp_path / "nothing there")
    (tmp_path / "index.html").write_text("<h1>My own page</h1>")
    assert not is_ours(tmp_path)


def test_excused_findings_are_marked(trip: Report, tmp_path: Path) -> None:
    finding = msgspec.structs.replace(
        trip.frames[2].findings[0], excused_by="Another frame of the bracket holds it."
    )
    report = _with_findings(trip, (finding,))

    write_page(report, _no_picture, tmp_path)

    text = " ".join(Page((tmp_path / "index.html").read_text(encoding="utf-8")).text)
    assert "excused: missed focus" in text
    assert "Another frame of the bracket holds it." in text


def _with_findings(trip: Report, findings: tuple[Finding, ...]) -> Report:
    frame = msgspec.structs.replace(trip.frames[0], findings=findings)
    return msgspec.structs.replace(trip, frames=(frame,), series=())


def _no_picture(frame: AuditedFrame, name: str) -> bytes:
    del frame, name
    return b""


_: Callable[[AuditedFrame, str], bytes] = _no_picture
