"""Charts of the trip, drawn by matplotlib and made part of the page.

Matplotlib writes style attributes, a style sheet of its own and black on white. A strict content
policy refuses the first two, and a dark page the third. So every mark is drawn in one of a few
colours that stand for classes, and the SVG is rewritten: text stays text, colours become classes
of the page's style sheet, and each point is a link to its frame.
"""

import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree as ET  # our own SVG, never a file's

from audit.records import AuditedFrame, Report, Verdict
from audit.report.digest import VERDICT_WORDS
from audit.report.page.frame_view import name_of
from audit.report.text import inert
from audit.trip_records import DayRow, TripReport

INK, QUIET, CEILING = "#010101", "#020202", "#030303"
VERDICT_COLOURS: dict[Verdict, str] = {
    "keeper": "#040404",
    "look-again": "#050505",
    "reject": "#060606",
}
CLASSES = {
    INK: "ink",
    QUIET: "quiet",
    CEILING: "ceiling",
    "#040404": "keeper",
    "#050505": "look-again",
    "#060606": "reject",
}
"""Colours that stand for classes of the style sheet; none is ever shown."""

MARKERS: dict[Verdict, str] = {"keeper": "s", "look-again": "D", "reject": "v"}
MOST_LENSES = 6
"""Small charts in one row and a half; the rest of the lenses have too few frames to show a line."""

LARGEST_EDGE_PX = 12.0
"""Wider edges are drawn at the border: one lost frame must not flatten all others."""

SVG = "{http://www.w3.org/2000/svg}"
XLINK = "{http://www.w3.org/1999/xlink}"
KEPT_STYLES = frozenset(
    {"stroke-width", "stroke-dasharray", "stroke-linecap", "stroke-linejoin", "text-anchor",
     "stroke-dashoffset", "fill-opacity", "stroke-opacity"}
)  # fmt: skip

Ids = Mapping[tuple[int, str], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A chart, what it shows in words, and its markup."""

    id: str
    title: str
    words: str
    svg: str


def charts_of(report: Report, ids: Ids, trip: TripReport | None = None) -> tuple[Chart, ...]:
    """Draw what the trip's frames say together; nothing where they say too little."""
    frames = [frame for frame in report.frames if _width(frame) is not None]
    if len(frames) < 2:
        return ()
    drawn = (
        _over_time(report, frames, ids),
        None if trip is None else _light(trip),
        _by_aperture(report, frames, ids),
    )
    return tuple(chart for chart in drawn if chart is not None)


def _width(frame: AuditedFrame) -> float | None:
    width = None if frame.sharpness is None else frame.sharpness.edge_width_px
    return None if width is None else min(width, LARGEST_EDGE_PX)


def _over_time(report: Report, frames: Sequence[AuditedFrame], ids: Ids) -> Chart | None:
    """Edge width in the order of shooting; nights take no room."""
    timed = sorted(
        (frame for frame in frames if frame.exposure is not None and frame.exposure.taken_at),
        key=lambda frame: (frame.exposure and frame.exposure.taken_at) or "",
    )
    if len(timed) < 2:
        return None
    figure, axes = _figure(1, (9.6, 2.9))
    axis = axes[0]
    points = [(float(place), frame) for place, frame in enumerate(timed)]
    _scatter(axis, points, ids)
    ticks: list[float] = []
    labels: list[str] = []
    for place, frame in points:
        day = ((frame.exposure and frame.exposure.taken_at) or "")[:10]
        if not labels or labels[-1] != day:
            ticks.append(place)
            labels.append(day)
            if place:
                axis.axvline(place - 0.5, color=QUIET, linewidth=0.8)
    every = max(1, len(ticks) // 10)
    axis.set_xticks(ticks[::every], [inert(label) for label in labels[::every]], ha="left")
    axis.set_xlabel("in the order of shooting, by day")
    axis.set_ylabel("edge width, px")
    axis.set_ylim(bottom=0)
    words = f"Edge width of {len(timed)} frames in the order of shooting; lower is sharper."
    return Chart(
        id="chart-time",
        title="Sharpness over the trip",
        words=words,
        svg=_as_part("time", figure, _titles(report, frames, ids)),
    )


def _light(trip: TripReport) -> Chart | None:
    """Light level over the time of day, one line a day; a mark is a stay at one place."""
    days = [(day, points) for day in trip.days if len(points := _light_points(day)) > 1]
    if not days:
        return None
    figure, axes = _figure(1, (9.6, 2.6))
    axis = axes[0]
    for day, points in days:
        hours, levels = zip(*points, strict=True)
        axis.plot(hours, levels, color=CEILING, linewidth=1.2, marker="o", markersize=3)
        axis.annotate(f" {day.day}", points[-1], color=INK, fontsize=9, va="center")
    first, last = (end(x for _, points in days for x, _ in points) for end in (min, max))
    step = max(1, math.ceil((last - first) / 8))
    ticks = range(math.floor(first), math.ceil(last) + 1, step)
    axis.set_xticks(list(ticks), [f"{hour}:00" for hour in ticks])
    axis.margins(x=0.12)
    axis.set_xlabel("time of day")
    axis.set_ylabel("EV at ISO 100")
    return Chart(
        id="chart-light",
        title="Light over the day",
        words="Median light level of each stay at a place, by the settings; a stop is one EV.",
        svg=_as_part("light", figure, {}),
    )


def _light_points(day: DayRow) -> list[tuple[float, float]]:
    """Hour of the day and light level of each place."""
    return [
        (int(place.first[11:13]) + int(place.first[14:16]) / 60, place.ev100)
        for place in day.places
        if place.ev100 is not None
    ]


def _by_aperture(report: Report, frames: Sequence[AuditedFrame], ids: Ids) -> Chart | None:
    """Aperture against edge width, one small chart a lens, with what physics allows."""
    by_lens: dict[str, list[AuditedFrame]] = {}
    for frame in frames:
        if frame.exposure is not None and frame.exposure.aperture_n:
            by_lens.setdefault(frame.exposure.lens or "lens not written", []).append(frame)
    shown = sorted(by_lens.items(), key=lambda item: (-len(item[1]), item[0]))[:MOST_LENSES]
    if not shown:
        return None
    figure, axes = _figure(len(shown), (9.6, 2.9 * -(-len(shown) // 3)))
    for axis, (lens, members) in zip(axes, shown, strict=False):
        points = [(float(_aperture(frame)), frame) for frame in members]
        _scatter(axis, points, ids)
        for floor in _ceilings(members):
            style = {"marker": "_"} if len(floor) == 1 else {}
            axis.plot(*zip(*floor, strict=True), color=CEILING, linewidth=1.6, **style)
        stops = sorted({_aperture(frame) for frame in members})
        axis.set_xscale("log", base=2)
        axis.set_xticks(stops, [f"f/{stop:g}" for stop in stops])
        axis.minorticks_off()
        axis.set_ylim(bottom=0)
        axis.set_title(inert(lens)[:40], loc="left")
    axes[0].set_ylabel("edge width, px")
    words = (
        "Edge width against aperture for each lens; the line is the narrowest edge that a perfect"
        " lens leaves on these pixels, by diffraction."
    )
    return Chart(
        id="chart-aperture",
        title="Aperture and sharpness, lens by lens",
        words=words,
        svg=_as_part("aperture", figure, _titles(report, frames, ids)),
    )


def _aperture(frame: AuditedFrame) -> float:
    assert frame.exposure is not None
    assert frame.exposure.aperture_n is not None
    return frame.exposure.aperture_n


def _ceilings(frames: Sequence[AuditedFrame]) -> Iterator[list[tuple[float, float]]]:
    """Narrowest edge by aperture, one line for each kind of pixels."""
    lines: dict[tuple[object, ...], set[tuple[float, float]]] = {}
    for frame in frames:
        floor_px = None if frame.limits is None else frame.limits.ceiling_edge_width_px
        if floor_px is not None and frame.sensor is not None:
            pixels = (frame.sensor.pitch_um, frame.sensor.width_px, frame.sensor.basis)
            lines.setdefault(pixels, set()).add((_aperture(frame), round(floor_px, 3)))
    for _, line in sorted(lines.items(), key=lambda item: str(item[0])):
        yield sorted(line)


def _titles(report: Report, frames: Sequence[AuditedFrame], ids: Ids) -> dict[str, str]:
    """Words of each point, by the address that it links to."""
    return {
        f"#{ids[frame.folder, frame.file]}": (
            f"{name_of(report, frame)}, {_width(frame):.1f} px, {VERDICT_WORDS[frame.verdict]}"
        )
        for frame in frames
    }


def _figure(count: int, size_in: tuple[float, float]) -> tuple[Any, list[Any]]:
    from matplotlib.figure import Figure  # heavy: only where a page is written

    figure = Figure(figsize=size_in, layout="constrained")
    columns = min(count, 3)
    axes = figure.subplots(-(-count // columns), columns, squeeze=False, sharey=True).ravel()
    for axis in axes:
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
        for side in ("bottom", "left"):
            axis.spines[side].set_color(QUIET)
        axis.tick_params(colors=INK, labelsize=9)
        axis.xaxis.label.set_color(INK)
        axis.yaxis.label.set_color(INK)
        axis.title.set_color(INK)
        axis.title.set_fontsize(10)
    for axis in axes[count:]:
        axis.set_visible(False)
    return figure, list(axes[:count])


def _scatter(axis: Any, points: Sequence[tuple[float, AuditedFrame]], ids: Ids) -> None:
    """One mark a frame: shape and colour by verdict, a link to the frame."""
    for verdict, colour in VERDICT_COLOURS.items():
        chosen = [(x, frame) for x, frame in points if frame.verdict == verdict]
        if not chosen:
            continue
        marks = axis.scatter(
            [x for x, _ in chosen],
            [_width(frame) for _, frame in chosen],
            s=30,
            c=colour,
            marker=MARKERS[verdict],
            linewidths=0,
        )
        marks.set_urls([f"#{ids[frame.folder, frame.file]}" for _, frame in chosen])


# ---------------------------------------------------------------- matplotlib's SVG


def _as_part(name: str, figure: Any, titles: Mapping[str, str]) -> str:
    """Rewrite a figure's SVG as a part of the page."""
    import matplotlib as mpl

    out = io.StringIO()
    fixed: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": "frame-audit",
        "font.family": "sans-serif",
    }
    with mpl.rc_context(fixed):
        figure.savefig(out, format="svg", transparent=True, metadata={"Date": None})
    root = ET.fromstring(out.getvalue())  # noqa: S314  # written a moment ago by ourselves
    _drop(root, {f"{SVG}metadata", f"{SVG}style"})
    for element in root.iter():
        _restyle(element)
        _rename(element, name)
    _name_links(root, titles)
    box = root.get("viewBox", "")
    root.attrib.clear()
    root.set("viewBox", box)
    root.set("class", "chart")
    root.set("role", "group")
    root.set("aria-labelledby", f"chart-{name}-title")
    text = ET.tostring(_without_namespace(root), encoding="unicode")
    return re.sub(r">\s+<", "><", text)


def _drop(parent: ET.Element, tags: set[str]) -> None:
    for child in list(parent):
        if child.tag in tags:
            parent.remove(child)
        else:
            _drop(child, tags)


def _restyle(element: ET.Element) -> None:
    """Turn a style attribute into attributes and classes."""
    style = dict(_declarations(element.attrib.pop("style", "")))
    classes = []
    for name in ("fill", "stroke"):
        colour = style.get(name, element.attrib.pop(name, None))
        if colour in CLASSES:
            classes.append(f"{name[0]}-{CLASSES[colour]}")
        elif colour is not None:
            element.set(name, colour)
    if element.tag == f"{SVG}text":
        size = re.search(r"([\d.]+)px", style.get("font", "") + style.get("font-size", ""))
        if size is not None:
            element.set("font-size", size[1])
        classes = classes or ["f-ink"]
    for name in KEPT_STYLES & style.keys():
        element.set(name, style[name])
    if classes:
        element.set("class", " ".join(classes))


def _declarations(style: str) -> Iterator[tuple[str, str]]:
    for declaration in style.split(";"):
        name, colon, value = declaration.partition(":")
        if colon:
            yield name.strip(), value.strip()


def _rename(element: ET.Element, chart: str) -> None:
    """Keep the ids of several charts apart, and write links the plain way."""
    identity = element.get("id")
    if identity is not None:
        element.set("id", f"{chart}-{identity}")
    clip = element.get("clip-path")
    if clip is not None:
        element.set("clip-path", clip.replace("url(#", f"url(#{chart}-"))
    element.attrib.pop("target", None)  # matplotlib's links would open a page of their own
    target = element.attrib.pop(f"{XLINK}href", None)
    if target is not None:
        inside = target.startswith("#") and element.tag == f"{SVG}use"
        element.set("href", f"#{chart}-{target[1:]}" if inside else target)


def _name_links(root: ET.Element, titles: Mapping[str, str]) -> None:
    """Give every link its words; the list of frames, not the chart, is for the tabulator key."""
    for link in root.iter(f"{SVG}a"):
        words = titles.get(link.get("href", ""))
        if words is not None:
            link.set("tabindex", "-1")
            title = ET.Element(f"{SVG}title")
            title.text = words
            link.insert(0, title)


def _without_namespace(root: ET.Element) -> ET.Element:
    for element in root.iter():
        element.tag = element.tag.removeprefix(SVG)
    return root
