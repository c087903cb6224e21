"""The page on the disk: as a folder with its pictures, or as one file."""

import base64
import contextlib
import hashlib
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TextIO

from markupsafe import Markup

from audit.records import AuditedFrame, PictureName, Report
from audit.report.digest import VERDICT_WORDS, kind_words
from audit.report.page.charts import charts_of
from audit.report.page.frame_view import FrameView, frame_view, ids_of
from audit.report.page.html import environment, part, policy
from audit.report.page.series_view import series_views
from audit.report.page.told_view import told_of
from audit.report.page.trip_view import dust_views, shutter_grid, summary_of
from audit.report.text import inert
from audit.report.whole_file import write_bytes, write_whole
from audit.trip_records import TripReport

PictureSource = Callable[[AuditedFrame, PictureName], bytes]
"""Gives a row's small picture, encoded as WebP; empty where there is none."""

INDEX = "index.html"
PICTURES = "pictures"
GENERATOR = "frame-audit report page"
HEAD_BYTES = 2048
"""In which a page of ours says that it is one."""

_OURS = re.compile(r"[0-9a-f]{32}\.webp")


def is_ours(folder: Path) -> bool:
    """Whether a page may be written to a folder: nothing there, or an older page of ours."""
    index = folder / INDEX
    try:
        with index.open("rb") as file:
            return GENERATOR.encode() in file.read(HEAD_BYTES)
    except FileNotFoundError:
        return True
    except OSError:
        return False


def write_page(
    report: Report,
    picture: PictureSource,
    folder: Path,
    *,
    single_file: bool = False,
    trip: TripReport | None = None,
) -> None:
    """Write the page; what a browser opens is the old page or the new one, never a part.

    Parameters
    ----------
    report : Report
    picture : callable
        Gives the small pictures of a row.
    folder : Path
        Made where it is missing. ``index.html`` goes there, its pictures below it.
    single_file : bool
        Put the pictures into the page itself.
    trip : TripReport, optional
        What the frames say together; without it the page has no such part.

    Raises
    ------
    OSError
        If the folder or the disk refuses.
    """
    folder.mkdir(parents=True, exist_ok=True)
    pictures = _Inline(picture) if single_file else _Beside(picture, folder / PICTURES)
    text = page_text(report, pictures.link, trip)
    write_whole(folder / INDEX, partial(_put, text))
    _sweep(folder / PICTURES, pictures.names)


def _put(text: str, out: TextIO) -> None:
    out.write(text)


class _Inline:
    """Pictures as text inside the page."""

    def __init__(self, source: PictureSource) -> None:
        self._source = source
        self.names: set[str] = set()

    def link(self, frame: AuditedFrame, name: PictureName) -> tuple[str, bytes] | None:
        data = self._source(frame, name)
        if not data:
            return None
        return f"data:image/webp;base64,{base64.b64encode(data).decode()}", data


class _Beside:
    """Pictures as files, named by their content: no name from a card reaches the disk."""

    def __init__(self, source: PictureSource, folder: Path) -> None:
        self._source = source
        self._folder = folder
        self.names: set[str] = set()

    def link(self, frame: AuditedFrame, name: PictureName) -> tuple[str, bytes] | None:
        data = self._source(frame, name)
        if not data:
            return None
        file = f"{hashlib.blake2b(data, digest_size=16).hexdigest()}.webp"
        path = self._folder / file
        if not path.is_file() or path.stat().st_size != len(data):
            self._folder.mkdir(exist_ok=True)
            write_bytes(path, data)
        self.names.add(file)
        return f"{PICTURES}/{file}", data


def _sweep(folder: Path, used: set[str]) -> None:
    """Remove pictures of an older page; other files are not ours to touch."""
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            if _OURS.fullmatch(path.name) and path.name not in used:
                path.unlink()


def page_text(
    report: Report,
    link: Callable[[AuditedFrame, PictureName], tuple[str, bytes] | None],
    trip: TripReport | None = None,
) -> str:
    """Give the whole page as HTML."""
    ids = ids_of(report)
    style, script = part("page.css"), part("page.js")

    def view(frame: AuditedFrame) -> FrameView:
        return frame_view(report, frame, ids, link)

    return environment().get_template("page.html.jinja").render(
        policy=policy(style, script),
        generator=GENERATOR,
        version=report.tool.version,
        style=Markup(style),  # noqa: S704  # our own file
        script=Markup(script),  # noqa: S704  # our own file
        report=report,
        summary=summary_of(report, ids),
        series=series_views(report, ids),
        view=view,
        charts=[(chart, Markup(chart.svg)) for chart in charts_of(report, ids, trip)],  # noqa: S704
        told=None if trip is None else told_of(trip),
        grid=shutter_grid(report),
        dust=dust_views(report),
        skipped=[(inert(one.file), inert(one.reason)) for one in report.skipped],
        verdict_words=VERDICT_WORDS,
        kinds=[(kind, kind_words(kind)) for kind in sorted(report.counts.findings)],
    )  # fmt: skip
