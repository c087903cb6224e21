"""Series as the page shows them: what differs from frame to frame, drawn where it can be."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from audit.records import AuditedFrame, Report, Series, SeriesKind
from audit.report.digest import edge_words, exposure_words, verdict_words
from audit.report.page.drawings import (
    MAP_BOUNDS_PX,
    MapDrawing,
    SweepDrawing,
    coverage_map,
    map_drawing,
    sweep_drawing,
)
from audit.report.page.frame_view import name_of
from audit.report.text import inert
from audit.report.units import counted, number, percent, sides_cm, sides_in

SERIES_WORDS: dict[SeriesKind, str] = {
    "repeat": "Repeats of one view",
    "exposure-bracket": "Exposure bracket",
    "focus-bracket": "Focus bracket",
    "shutter-variants": "One view at several shutter times",
    "panorama": "Panorama",
}
USUAL_SHAPE = 1.5
"""Width over height of a frame whose size is not known."""

Ids = Mapping[tuple[int, str], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A frame to jump to."""

    id: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepView:
    """One frame of a series: what differs."""

    link: Link
    words: str
    place: float | None
    """0 to 1 along the drawing of the series."""
    is_best: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesView:
    """A series, or the frames that belong to none."""

    id: str
    title: str
    kind: str
    notes: tuple[str, ...]
    steps: tuple[StepView, ...]
    axis: str
    sweep: SweepDrawing | None
    sweep_words: str
    coverage: MapDrawing | None
    coverage_words: str
    frames: tuple[AuditedFrame, ...]


def series_views(report: Report, ids: Ids) -> tuple[SeriesView, ...]:
    """List every series with its frames, best series first, then the frames of none."""
    views = []
    taken: set[tuple[int, str]] = set()
    by_series: dict[str, list[AuditedFrame]] = {}
    for frame in report.frames:
        if frame.series is not None:
            by_series.setdefault(frame.series, []).append(frame)
    known = {series.id: series for series in report.series}
    # Rows come best first, so the series of the best frame comes first.
    for identity, frames in by_series.items():
        series = known.get(identity)
        if series is None:
            continue
        order = {file: place for place, file in enumerate(series.order or series.files)}
        frames.sort(key=lambda frame: order.get(frame.file, len(order)))
        taken.update((frame.folder, frame.file) for frame in frames)
        views.append(_series_view(report, series, frames, ids))
    rest = tuple(frame for frame in report.frames if (frame.folder, frame.file) not in taken)
    if rest:
        views.append(_single_frames(rest, is_all=not views))
    return tuple(views)


def _single_frames(frames: tuple[AuditedFrame, ...], *, is_all: bool) -> SeriesView:
    return SeriesView(
        id="singles",
        title="All frames" if is_all else "Single frames",
        kind="single",
        notes=(),
        steps=(),
        axis="",
        sweep=None,
        sweep_words="",
        coverage=None,
        coverage_words="",
        frames=frames,
    )


def _series_view(
    report: Report, series: Series, frames: Sequence[AuditedFrame], ids: Ids
) -> SeriesView:
    sweep, sweep_words = _sweep(series, frames)
    coverage, coverage_words = _coverage(series, frames)
    places, axis = _places(series, frames)
    return SeriesView(
        id=f"series-{inert(series.id)}",
        title=f"{inert(series.id)}: {SERIES_WORDS[series.kind]}, {counted(len(frames), 'frame')}",
        kind=series.kind,
        notes=tuple(inert(note) for note in series.notes),
        steps=tuple(
            StepView(
                link=Link(id=ids[frame.folder, frame.file], text=name_of(report, frame)),
                words=_step_words(series.kind, frame),
                place=places.get(frame.file),
                is_best=frame.file == series.best,
            )
            for frame in frames
        ),
        axis=axis,
        sweep=sweep,
        sweep_words=sweep_words,
        coverage=coverage,
        coverage_words=coverage_words,
        frames=tuple(frames),
    )


def _step_words(kind: SeriesKind, frame: AuditedFrame) -> str:
    parts = [verdict_words(frame), exposure_words(frame)]
    width, clipping = edge_words(frame), frame.clipping
    if kind == "exposure-bracket" and clipping is not None:
        parts.append(
            f"clipped {percent(clipping.highlight_share.any)},"
            f" blocked {percent(clipping.shadow_share.any)}"
        )
    elif width is not None:
        parts.append(f"edges {width} px")
    return "; ".join(part for part in parts if part)


def _places(series: Series, frames: Sequence[AuditedFrame]) -> tuple[dict[str, float], str]:
    """Where each frame stands on the axis of its series: light gathered, or shutter time."""
    levels: dict[str, float] = {}
    for frame in frames:
        exposure = frame.exposure
        if exposure is None:
            continue
        if series.kind == "exposure-bracket" and exposure.ev100 is not None:
            levels[frame.file] = -exposure.ev100
        elif series.kind == "shutter-variants" and exposure.shutter_s:
            levels[frame.file] = math.log2(exposure.shutter_s)
    if len(levels) < 2:
        return {}, ""
    low, high = min(levels.values()), max(levels.values())
    if high - low < 0.1:
        return {}, ""
    what = "darker to brighter" if series.kind == "exposure-bracket" else "shorter to longer"
    places = {file: (level - low) / (high - low) for file, level in levels.items()}
    return places, f"{what}, {number(high - low)} stops in all"


def _sweep(series: Series, frames: Sequence[AuditedFrame]) -> tuple[SweepDrawing | None, str]:
    panorama = series.panorama
    if panorama is None:
        return None, ""
    shape = next((_shape(frame) for frame in frames if frame.sensor is not None), USUAL_SHAPE)
    gaps = len(panorama.gaps)
    words = [
        (
            f"{panorama.layout.capitalize()} sweep: {counted(len(series.files), 'frame')},"
            f" {'no gap' if not gaps else counted(gaps, 'gap')}."
        )
    ]
    if panorama.pairs:
        least = min(panorama.pairs, key=lambda pair: pair.overlap)
        words.append(
            f"Smallest overlap {percent(least.overlap)}, {inert(least.a)} and {inert(least.b)}."
        )
    words += [f"Gap between {inert(a)} and {inert(b)}." for a, b in panorama.gaps]
    if panorama.unlinked:
        words.append(f"Not joined: {', '.join(map(inert, panorama.unlinked))}.")
    if panorama.weakest is not None:
        words.append(f"Weakest frame: {inert(panorama.weakest)}.")
    if panorama.exposure_outliers:
        words.append(f"Exposed differently: {', '.join(map(inert, panorama.exposure_outliers))}.")
    if panorama.stitched_width_px and panorama.stitched_height_px:
        words.append(
            f"Joined: about {panorama.stitched_width_px} × {panorama.stitched_height_px} px."
        )
    if panorama.print is not None:
        size = panorama.print
        words.append(
            f"Holds at {sides_cm(size.long_cm, size.short_cm)} cm"
            f" ({sides_in(size.long_cm, size.short_cm)} in)."
        )
    drawn = sweep_drawing(panorama, [inert(file) for file in series.files], shape)
    return drawn, " ".join(words)


def _shape(frame: AuditedFrame) -> float:
    """Width over height as the frame is viewed."""
    assert frame.sensor is not None
    shape = frame.sensor.width_px / frame.sensor.height_px
    turned = frame.exposure is not None and frame.exposure.orientation >= 5
    return 1 / shape if turned else shape


def _coverage(series: Series, frames: Sequence[AuditedFrame]) -> tuple[MapDrawing | None, str]:
    """Draw where at least one frame of a focus series is sharp."""
    if series.kind != "focus-bracket":
        return None, ""
    maps = [
        frame.sharpness.map
        for frame in frames
        if frame.sharpness is not None and frame.sharpness.map is not None
    ]
    if not maps:
        return None, ""
    covered = coverage_map(maps)
    widths = [width for row in covered.edge_width_px for width in row if width is not None]
    if not widths:
        return None, ""
    sharp = sum(width <= MAP_BOUNDS_PX[1] for width in widths) / len(widths)
    words = (
        f"Sharpest of all frames at each place: {percent(sharp)} of what could be measured has"
        f" edges of {MAP_BOUNDS_PX[1]:g} px or less."
    )
    return map_drawing(covered), words
