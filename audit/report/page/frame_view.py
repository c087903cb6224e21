"""One frame as the page shows it: every figure in words, every text from a file made inert."""

import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from audit.records import (
    AuditedFrame,
    ClippedShare,
    Crop,
    Finding,
    PerColour,
    PictureName,
    Print,
    Report,
    Sharpness,
)
from audit.report.digest import (
    SEVERITY_WORDS,
    edge_words,
    excused,
    exposure_words,
    figures_of,
    holds_at,
    kind_words,
    main_sentence,
    plain_reason,
    standing,
    verdict_words,
)
from audit.report.page.drawings import (
    Box,
    MapDrawing,
    PrintDrawing,
    crop_box,
    histogram_lines,
    map_drawing,
    print_drawing,
)
from audit.report.text import inert
from audit.report.units import CANNOT_TELL, edge_width, length, percent

UNKNOWN_SIZE = (1, 1)
UNKNOWN_EDGE_PX = 999.0
VP8_SIZE_OFFSET = 26
VP8_SIDE_BITS = 0x3FFF
"""Where a lossy WebP file holds its width and height (RFC 9649 and RFC 6386, 9.1)."""

PictureLink = Callable[[AuditedFrame, PictureName], "tuple[str, bytes] | None"]
"""Gives the address under which the page finds a picture, and its bytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture with its size in pixels of the screen."""

    address: str
    width: int
    height: int
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """An unscaled cut, its words and its box on the reduced view."""

    picture: Picture
    box: Box
    title: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingView:
    """A finding in sentences."""

    word: str
    kind: str
    message: str
    advice: str
    figures: str
    excuse: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameView:
    """What the template of one frame places."""

    id: str
    name: str
    verdict: str
    verdict_words: str
    rank: str
    exposure: str
    taken: str
    camera: str
    error: str
    thumbnail: Picture | None
    cuts: tuple[Cut, ...]
    no_cuts: str
    map: MapDrawing | None
    map_words: str
    histogram: tuple[tuple[str, str], ...]
    light_words: str
    findings: tuple[FindingView, ...]
    reason: str
    print: PrintDrawing | None
    print_words: str
    notes: tuple[str, ...]
    kinds: str
    order_print_cm: float
    order_edge_px: float
    order_time: str


def ids_of(report: Report) -> dict[tuple[int, str], str]:
    """Anchor of each frame, by its folder and file."""
    return {
        (frame.folder, frame.file): f"frame-{number}"
        for number, frame in enumerate(report.frames, start=1)
    }


def name_of(report: Report, frame: AuditedFrame) -> str:
    """Name of a frame below its folder, or with it where there are several."""
    if len(report.folders) == 1:
        return inert(frame.file)
    return inert(f"{report.folders[frame.folder].rstrip('/')}/{frame.file}")


def frame_view(
    report: Report,
    frame: AuditedFrame,
    ids: Mapping[tuple[int, str], str],
    picture: PictureLink,
) -> FrameView:
    """Put one frame into words and drawings."""
    sharpness, exposure, size = frame.sharpness, frame.exposure, frame.print
    thumbnail = _thumbnail(report, frame, picture)
    cuts = () if thumbnail is None else tuple(_cuts(frame, picture, thumbnail))
    return FrameView(
        id=ids[frame.folder, frame.file],
        name=name_of(report, frame),
        verdict=frame.verdict,
        verdict_words=verdict_words(frame),
        rank="" if frame.rank is None else f"rank {frame.rank} of {report.counts.measured}",
        exposure=exposure_words(frame),
        taken="" if exposure is None else inert((exposure.taken_at or "").replace("T", " ")),
        camera="" if exposure is None else inert(_camera(exposure.model, exposure.lens)),
        error=""
        if frame.error is None
        else inert(f"{kind_words(frame.state)}: {frame.error.message}"),
        thumbnail=thumbnail,
        cuts=cuts,
        no_cuts="" if cuts or frame.error else _no_cuts(frame),
        map=None if sharpness is None or sharpness.map is None else map_drawing(sharpness.map),
        map_words=_map_words(frame),
        histogram=() if frame.histogram is None else histogram_lines(frame.histogram),
        light_words="\n".join(_light(frame)),
        findings=tuple(_finding(finding) for finding in (*standing(frame), *excused(frame))),
        reason=plain_reason(frame) or _nothing_found(frame),
        print=None if size is None or size.long_cm <= 0 else print_drawing(size),
        print_words="" if size is None else _print_words(size),
        notes=tuple(inert(note) for note in frame.notes),
        kinds=" ".join(sorted({finding.kind for finding in standing(frame)})),
        order_print_cm=0.0 if size is None else round(size.long_cm, 1),
        order_edge_px=_order_edge_px(sharpness),
        order_time="" if exposure is None else inert(exposure.taken_at or ""),
    )


def _order_edge_px(sharpness: Sharpness | None) -> float:
    """Place in the order by edge width; what cannot be told goes last."""
    if sharpness is None:
        return UNKNOWN_EDGE_PX
    width_px = sharpness.edge_width_px or sharpness.edge_width_high_px
    return UNKNOWN_EDGE_PX if width_px is None else round(width_px, 3)


def _thumbnail(report: Report, frame: AuditedFrame, picture: PictureLink) -> Picture | None:
    sentence = main_sentence(frame) or "No fault was found."
    alt = f"{name_of(report, frame)}, {verdict_words(frame)}: {inert(sentence)}"
    return _picture(frame, "thumbnail", alt, picture)


def _picture(
    frame: AuditedFrame, name: PictureName, alt: str, picture: PictureLink
) -> Picture | None:
    found = picture(frame, name)
    if found is None:
        return None
    address, data = found
    width, height = _webp_size(data)
    return Picture(address=address, width=width, height=height, alt=alt)


def _webp_size(data: bytes) -> tuple[int, int]:
    if data[12:16] != b"VP8 " or len(data) < VP8_SIZE_OFFSET + 4:
        return UNKNOWN_SIZE
    width, height = struct.unpack_from("<HH", data, VP8_SIZE_OFFSET)
    return width & VP8_SIDE_BITS, height & VP8_SIDE_BITS


def _cuts(frame: AuditedFrame, picture: PictureLink, whole: Picture) -> "list[Cut]":
    crops: tuple[tuple[PictureName, Crop | None], ...] = (
        ("sharpest", frame.sharpest),
        ("softest", frame.softest),
    )
    found = []
    for name, crop in crops:
        if crop is None:
            continue
        words = f"edges {edge_width(crop.edge_width_px, None, None)} px wide"
        if crop.brightened_ev > 0:
            words += f", brightened {crop.brightened_ev:.1f} stops"
        shown = _picture(frame, name, f"{name.capitalize()} place at 1:1: {words}", picture)
        if shown is not None:
            box = crop_box(crop, whole.width, whole.height)
            found.append(Cut(picture=shown, box=box, title=name.capitalize(), words=words))
    return found


def _no_cuts(frame: AuditedFrame) -> str:
    reason = None if frame.sharpness is None else frame.sharpness.reason
    return f"No cut at 1:1: {inert(reason or CANNOT_TELL)}."


def _map_words(frame: AuditedFrame) -> str:
    sharpness, size = frame.sharpness, frame.print
    width = edge_words(frame)
    if sharpness is None or width is None:
        return "Edge width: cannot tell."
    words = f"Sharpest edges {width} px wide."
    if size is not None and size.limiting_px is not None:
        words += f" Softest place {size.limiting_place}: {size.limiting_px:.1f} px."
    if sharpness.sharp_share is not None:
        words += f" {percent(sharpness.sharp_share)} of what could be measured holds."
    return words


def _print_words(size: Print) -> str:
    chosen, close = holds_at(size)
    asked = f"Asked for: {length(size.target_long_cm)} along the long side."
    return f"Holds at {chosen};\n{close}.\n{asked}"


def _light(frame: AuditedFrame) -> Iterator[str]:
    """Both ends of the scale in words, and what the histogram rests on."""
    clipping, histogram = frame.clipping, frame.histogram
    if clipping is not None:
        basis = "raw samples" if clipping.basis == "raw" else "developed file"
        high, low = clipping.highlight_share, clipping.shadow_share
        yield f"Clipped ({basis}): {_by_colour(high)}."
        yield f"Blocked: {_by_colour(low)}."
        yield f"Headroom, stops: {_stops(clipping.headroom_ev)}."
    if histogram is not None:
        within = percent(histogram.error_share)
        yield f"From {histogram.samples:,} samples a colour, within {within}."


def _by_colour(shares: ClippedShare) -> str:
    if shares.any == 0:
        return "none"
    known = (("red", shares.r), ("green", shares.g), ("blue", shares.b), ("any", shares.any))
    return ", ".join(f"{name} {percent(share)}" for name, share in known if share is not None)


def _stops(colours: PerColour) -> str:
    known = (("red", colours.r), ("green", colours.g), ("blue", colours.b))
    return ", ".join(f"{name} {value:.1f}" for name, value in known if value is not None)


def _finding(finding: Finding) -> FindingView:
    return FindingView(
        word="excused" if finding.excused_by is not None else SEVERITY_WORDS[finding.severity],
        kind=kind_words(finding.kind),
        message=inert(finding.message),
        advice=inert(finding.advice),
        figures=figures_of(finding),
        excuse=inert(finding.excused_by or ""),
    )


def _nothing_found(frame: AuditedFrame) -> str:
    return "No fault was found." if frame.state == "measured" and not frame.findings else ""


def _camera(model: str | None, lens: str | None) -> str:
    return ", ".join(part for part in (model, lens) if part)
