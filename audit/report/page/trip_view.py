"""The whole trip as the page shows it: summary, ruler, grid of shutter times, dust."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from audit.records import AuditedFrame, Report, Verdict
from audit.report.digest import (
    VERDICT_WORDS,
    causes,
    first_look_words,
    held_against,
    kind_words,
    lens_remarks,
    standing,
    target_share,
)
from audit.report.page.frame_view import name_of
from audit.report.page.series_view import USUAL_SHAPE, Ids, Link
from audit.report.text import inert
from audit.report.units import (
    INCH_CM,
    counted,
    percent,
    shutter,
)

FOCAL_BOUNDS_MM = (0.0, 24.0, 35.0, 70.0, 135.0, math.inf)
"""Columns of the grid of shutter times, by the focal length that the camera wrote (project's
choice; the borders are those of common lenses)."""

LONGEST_GRID_SHUTTER_S = 1.0
RULER_BINS = 36
RULER_VERDICTS: tuple[Verdict, ...] = ("keeper", "look-again", "reject")
RULER_WIDTH, RULER_ROW_HEIGHT = 720, 34


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseView:
    """One cause, what to change, and the frames that show it."""

    kind: str
    words: str
    count: str
    advice: str
    frames: tuple[Link, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RulerRow:
    """Frames of one verdict on the ruler of print sizes: bars in the drawing's units."""

    verdict: Verdict
    words: str
    count: int
    bars: tuple[tuple[float, float, float, str], ...]
    """Left, width, height and words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruler:
    """How long a print of each frame holds, on one ruler in cm and inches."""

    rows: tuple[RulerRow, ...]
    cm: tuple[tuple[float, str], ...]
    inches: tuple[tuple[float, str], ...]
    target: float | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """The trip in words."""

    title: str
    sentences: tuple[str, ...]
    causes: tuple[CauseView, ...]
    lenses: tuple[str, ...]
    verdicts: tuple[tuple[Verdict, str, tuple[Link, ...]], ...]
    ruler: Ruler | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Shutter time against focal length: how many frames held, of how many."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[tuple[str, int] | None, ...]], ...]
    """Shutter time, and for each column the words and the fifth (0 to 5) that held."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DustView:
    """Dust of one body's sensor: circles on the frame as stored."""

    body: str
    spots: tuple[tuple[float, float, float, str], ...]
    """Across, down and radius as shares of the width, and words."""
    shape: float
    sentences: tuple[str, ...]


def summary_of(report: Report, ids: Ids) -> Summary:
    """Put the trip into words."""
    counts = report.counts
    if not counts.frames:
        title = "No photograph was found"
    else:
        title = f"{counts.keeper} of {counted(counts.frames, 'frame')} can be kept"
    where = ", ".join(inert(folder) for folder in report.folders)
    sentences = [
        (
            f"{counts.keeper} keep, {counts.look_again} look again, {counts.reject} reject,"
            f" {counts.unread} unread, in {where}."
        )
    ]
    if counts.measured:
        holding = sum((target_share(frame) or 0.0) >= 1.0 for frame in report.frames)
        sentences.append(
            f"{counted(holding, 'frame')} of {counts.measured} measured"
            f" {'holds' if holding == 1 else 'hold'} at the print: {held_against(report)}."
        )
    if (words := first_look_words(report)) is not None:
        sentences.append(words)
    if report.interrupted:
        sentences.append("The run was stopped early: frames that were not reached are left out.")
    found = tuple(_cause_views(report, ids))
    if found:
        sentences.append(
            f"Most often lost to {found[0].words}: {found[0].count}. {found[0].advice}"
        )
    return Summary(
        title=title,
        sentences=tuple(sentences),
        causes=found,
        lenses=tuple(inert(f"{one.message} {one.advice}") for one in lens_remarks(report)),
        verdicts=tuple(
            (verdict, words, links)
            for verdict, words in VERDICT_WORDS.items()
            if (links := _links(report, ids, _of_verdict(verdict)))
        ),
        ruler=_ruler(report),
    )


def _cause_views(report: Report, ids: Ids) -> Iterable[CauseView]:
    for cause in causes(report):
        yield CauseView(
            kind=cause.kind,
            words=kind_words(cause.kind),
            count=counted(cause.frames, "frame"),
            advice=inert(cause.advice),
            frames=_links(report, ids, _lost_to(cause.kind)),
        )


def _links(report: Report, ids: Ids, wanted: Callable[[AuditedFrame], bool]) -> tuple[Link, ...]:
    return tuple(
        Link(id=ids[frame.folder, frame.file], text=name_of(report, frame))
        for frame in report.frames
        if wanted(frame)
    )


def _of_verdict(verdict: Verdict) -> Callable[[AuditedFrame], bool]:
    return lambda frame: frame.verdict == verdict


def _lost_to(kind: str) -> Callable[[AuditedFrame], bool]:
    return lambda frame: any(
        finding.kind == kind and finding.severity != "note" for finding in standing(frame)
    )


def _ruler(report: Report) -> Ruler | None:
    """Put every frame's print on one ruler."""
    sized = [(frame, frame.print) for frame in report.frames if frame.print is not None]
    longest = max((size.long_cm for _, size in sized), default=0.0)
    if longest <= 0:
        return None
    wanted = report.settings.print_long_cm
    end_cm = max(longest, wanted or 0.0) * 1.04
    step_cm = end_cm / RULER_BINS
    rows = []
    for verdict in RULER_VERDICTS:
        counts: dict[int, int] = {}
        for frame, size in sized:
            if frame.verdict == verdict:
                place = min(int(size.long_cm / step_cm), RULER_BINS - 1)
                counts[place] = counts.get(place, 0) + 1
        rows.append((verdict, counts))
    most = max(count for _, counts in rows for count in counts.values())
    return Ruler(
        rows=tuple(
            RulerRow(
                verdict=verdict,
                words=VERDICT_WORDS[verdict],
                count=sum(counts.values()),
                bars=tuple(
                    (
                        round(place * RULER_WIDTH / RULER_BINS + 1, 1),
                        round(RULER_WIDTH / RULER_BINS - 2, 1),
                        round(4 + (RULER_ROW_HEIGHT - 10) * math.sqrt(count / most), 1),
                        (
                            f"{counted(count, 'frame')} at {place * step_cm:.0f} to"
                            f" {(place + 1) * step_cm:.0f} cm"
                        ),
                    )
                    for place, count in sorted(counts.items())
                ),
            )
            for verdict, counts in rows
        ),
        cm=_ruler_ticks(end_cm, 1.0),
        inches=_ruler_ticks(end_cm, INCH_CM),
        target=None if wanted is None else round(wanted / end_cm * RULER_WIDTH, 1),
        words=f"Long side of the print that holds, {sized[-1][1].viewing_cm:g} cm away:"
        f" the longest {longest:.0f} cm.",
    )


def _ruler_ticks(end_cm: float, unit_cm: float) -> tuple[tuple[float, str], ...]:
    end = end_cm / unit_cm
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if end / s <= 9 or s == 1000)
    return tuple(
        (round(number_of * step / end * RULER_WIDTH, 1), f"{number_of * step}")
        for number_of in range(int(end / step) + 1)
    )


def shutter_grid(report: Report) -> Grid | None:
    """Count how many frames held, by shutter time and focal length."""
    cells: dict[tuple[int, int], list[bool]] = {}
    for frame in report.frames:
        exposure, share = frame.exposure, target_share(frame)
        if exposure is None or share is None or not exposure.shutter_s or not exposure.focal_mm:
            continue
        row = round(math.log2(min(exposure.shutter_s, 2 * LONGEST_GRID_SHUTTER_S)))
        focal_mm = exposure.focal_mm
        col = sum(focal_mm >= bound for bound in FOCAL_BOUNDS_MM[1:])
        cells.setdefault((row, col), []).append(share >= 1.0)
    if not cells:
        return None
    columns = sorted({col for _, col in cells})
    rows = sorted({row for row, _ in cells})
    return Grid(
        columns=tuple(_focal_words(col) for col in columns),
        rows=tuple(
            (_shutter_words(row), tuple(_cell(cells.get((row, col))) for col in columns))
            for row in rows
        ),
    )


def _cell(held: Sequence[bool] | None) -> tuple[str, int] | None:
    if held is None:
        return None
    return f"{sum(held)} of {len(held)}", int(5 * sum(held) / len(held))


def _focal_words(col: int) -> str:
    low, high = FOCAL_BOUNDS_MM[col], FOCAL_BOUNDS_MM[col + 1]
    if col == 0:
        return f"below {high:g} mm"
    return f"{low:g} mm and longer" if math.isinf(high) else f"{low:g} to {high:g} mm"


def _shutter_words(stop: int) -> str:
    if 2.0**stop > LONGEST_GRID_SHUTTER_S:
        return f"longer than {LONGEST_GRID_SHUTTER_S:g} s"
    # Shutter dials halve 60 to 125 and 15 to 30, not 64 to 128.
    marked = {-4: 15, -5: 30, -6: 60, -7: 125, -8: 250, -9: 500, -10: 1000, -11: 2000, -12: 4000}
    time_s = 1 / marked[stop] if stop in marked else 2.0**stop
    return f"about {shutter(time_s)}"


def dust_views(report: Report) -> tuple[DustView, ...]:
    """Draw the spots of each body."""
    bodies = sorted({spot.body for spot in report.dust})
    shapes = {
        frame.exposure.body_serial: frame.sensor.width_px / frame.sensor.height_px
        for frame in report.frames
        if frame.exposure is not None and frame.sensor is not None
    }
    views = []
    for body in bodies:
        spots = [spot for spot in report.dust if spot.body == body]
        views.append(
            DustView(
                body=inert(body),
                spots=tuple(
                    (
                        round(spot.x_share, 4),
                        round(spot.y_share, 4),
                        round(max(spot.diameter_share / 2, 0.008), 4),
                        f"seen in {counted(spot.frames, 'frame')}",
                    )
                    for spot in spots
                ),
                shape=shapes.get(body, USUAL_SHAPE),
                sentences=tuple(
                    f"{percent(spot.x_share)} from the left, {percent(spot.y_share)} from the"
                    f" top: seen in {counted(spot.frames, 'frame')},"
                    f" {percent(spot.contrast)} darker."
                    for spot in spots
                ),
            )
        )
    return tuple(views)
