"""All evidence for one frame: each figure with its unit, each limit with its source."""

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple, TextIO

from audit.records import (
    AuditedFrame,
    ClippedShare,
    Exposure,
    Finding,
    FindingCode,
    PerColour,
    Report,
    SeriesKind,
    Sharpness,
    SharpnessMap,
)
from audit.report.digest import (
    SEVERITY_WORDS,
    VERDICT_WORDS,
    excused,
    figures_of,
    holds_at,
    kind_words,
    place_in_series,
    plain_reason,
    series_of,
    series_words,
    standing,
    target_share,
)
from audit.report.screen import QUIET, STRONG, Screen
from audit.report.units import (
    CANNOT_TELL,
    UNKNOWN,
    figure,
    length,
    number,
    percent,
    shutter,
    tenths,
)

LABEL_WIDTH = 22
MAP_CELL_WIDTH = 5
INDENT = 4


class LimitSource(NamedTuple):
    """One limit: what it means and where its value comes from."""

    name: str
    default: float | str
    unit: str
    meaning: str
    source: str


LIMITS_BEHIND: dict[FindingCode, tuple[str, ...]] = {
    "missed-focus": ("fully_sharp_px", "at_limit_ratio"),
    "camera-shake": ("smear_px", "smear_confidence", "at_limit_ratio"),
    "subject-motion": ("smear_px", "smear_confidence", "silky_shutter_s"),
    "diffraction": ("diffraction_criterion", "at_limit_ratio"),
    "slow-shutter": ("hold_rate_deg_s", "handheld_blur_px"),
    "vibration-window": ("smear_px", "smear_confidence"),
    "soft-side": ("fully_sharp_px",),
    "clipped-highlights": (
        "clipped_highlight_share",
        "lost_highlight_share",
        "ruined_highlight_share",
    ),
    "blocked-shadows": ("blocked_shadow_share", "lost_shadow_share"),
    "noise": ("snr_excellent", "snr_acceptable"),
    "haze": ("haze_range_ev",),
    "no-edges": (),
    "sharpened": ("sharpened_ratio",),
    "damaged": (),
    "dust": ("dust_contrast",),
    "odd-settings": (),
}
"""Limits that each kind of finding is judged by, as named in the settings."""

LIMITS_BEHIND_THE_VERDICT = ("fully_sharp_px", "keeper_share", "look_again_share")


def write(
    report: Report,
    frame: AuditedFrame,
    out: TextIO,
    *,
    limits: Iterable[LimitSource],
    width: int | None = None,
    colour: bool = True,
) -> None:
    """Write all that is known about one frame.

    Parameters
    ----------
    report : Report
        The report that the frame stands in.
    frame : AuditedFrame
        One of its frames.
    out : TextIO
        A terminal, or a file that stands for one.
    limits : iterable of LimitSource
        Meaning, unit and source of every limit.
    width : int, optional
        Columns; by default what the terminal has.
    colour : bool
        Whether a terminal gets colours.
    """
    sheet = _Sheet(
        Screen(out, width=width, colour=colour), report, {note.name: note for note in limits}
    )
    sheet.head(frame)
    if frame.error is not None:
        sheet.screen.heading("Not measured")
        sheet.pair(kind_words(frame.state), frame.error.message)
        sheet.pair("code", frame.error.code)
    sheet.exposure(frame)
    sheet.sensor(frame)
    sheet.sharpness(frame)
    sheet.clipping(frame)
    sheet.noise(frame)
    sheet.physics(frame)
    sheet.findings(frame)
    sheet.print_size(frame)


class _Sheet:
    """The sections, in order of reading; each writes nothing where nothing was read."""

    def __init__(self, screen: Screen, report: Report, limits: dict[str, LimitSource]) -> None:
        self.screen = screen
        self.report = report
        self.limits = limits

    def pair(self, label: str, value: str | None, *, missing: str = UNKNOWN) -> None:
        self.screen.pair(label, value, width=LABEL_WIDTH, missing=missing)

    def head(self, frame: AuditedFrame) -> None:
        rank = "" if frame.rank is None else f", rank {frame.rank} of {self.report.counts.measured}"
        self.screen.line((frame.file, STRONG))
        self.screen.line(f"{VERDICT_WORDS[frame.verdict]}{rank}")
        self.screen.blank()
        self.pair("folder", self.report.folders[frame.folder])
        self.pair("format", frame.format)
        if frame.companions:
            self.pair("companions", ", ".join(frame.companions))
        if frame.measured_file is not None:
            self.pair("measured file", frame.measured_file)
        self.series(frame)
        for note in frame.notes:
            self.pair("note", note)

    def series(self, frame: AuditedFrame) -> None:
        series = series_of(self.report, frame)
        if series is None:
            return
        self.pair("series", f"{series.id}, {series_words(series)}")
        place = place_in_series(series, frame)
        if place is not None:
            self.pair("place in it", f"{place} of {len(series.order)}, {_ORDERS[series.kind]}")
        for note in series.notes:
            self.pair("of the series", note)

    def exposure(self, frame: AuditedFrame) -> None:
        if frame.exposure is None:
            return
        self.screen.heading("Exposure, as the camera wrote it")
        for label, value in _exposure_pairs(frame.exposure):
            self.pair(label, value)

    def sensor(self, frame: AuditedFrame) -> None:
        sensor = frame.sensor
        if sensor is None:
            return
        self.screen.heading("Sensor")
        self.pair("size", f"{sensor.width_px} × {sensor.height_px} px")
        error = sensor.pitch_error_share
        within = "" if error is None else f", within {percent(error)}"
        source = sensor.pitch_source or "source not known"
        pitch = (
            None if sensor.pitch_um is None else f"{number(sensor.pitch_um)} µm{within}; {source}"
        )
        self.pair("pixel pitch", pitch)
        self.pair("measured on", _basis(sensor.basis))

    def sharpness(self, frame: AuditedFrame) -> None:
        sharpness = frame.sharpness
        if sharpness is None:
            return
        self.screen.heading("Sharpness")
        if not sharpness.measurable:
            self.pair("edges", sharpness.reason, missing="too few to tell")
        for label, value in _sharpness_pairs(sharpness):
            self.pair(label, value, missing=CANNOT_TELL)
        if sharpness.map is not None:
            self.map(sharpness.map)

    def map(self, tiles: SharpnessMap) -> None:
        self.screen.heading(
            "Map of edge widths in px, as the frame is viewed; . nothing to measure"
        )
        room = max((self.screen.width - INDENT) // MAP_CELL_WIDTH, 1)
        for start in range(0, tiles.cols, room):
            columns = range(start, min(start + room, tiles.cols))
            if start:
                self.screen.blank()
            self.screen.line((" " * INDENT + _cells(str(col) for col in columns), QUIET))
            for row, widths in enumerate(tiles.edge_width_px):
                cells = ("." if widths[col] is None else f"{widths[col]:.1f}" for col in columns)
                self.screen.line((f"{row:>{INDENT}}", QUIET), _cells(cells))

    def clipping(self, frame: AuditedFrame) -> None:
        clipping = frame.clipping
        if clipping is None:
            return
        self.screen.heading(f"Both ends of the scale, on {_basis(clipping.basis)}")
        names = ("red", "green", "blue", "any", "all")
        self.screen.line((" " * (2 + LABEL_WIDTH) + _wide_cells(names), QUIET))
        saturation = clipping.saturation_dn
        rows = [
            ("highlights clipped", _shares(clipping.highlight_share)),
            ("shadows blocked", _shares(clipping.shadow_share)),
            ("headroom, stops", _per_colour(clipping.headroom_ev, 2)),
        ]
        if saturation is not None:
            rows.append(("saturation, DN", _per_colour(saturation, 0)))
        for label, cells in rows:
            self.screen.line("  ", self.screen.fitted(label, LABEL_WIDTH), _wide_cells(cells))
        self.screen.paragraph(
            "Headroom: stops between the brightest 0.1 % and saturation.", indent=2, style=QUIET
        )

    def noise(self, frame: AuditedFrame) -> None:
        noise, tone = frame.noise, frame.tone
        if noise is None and tone is None:
            return
        self.screen.heading("Noise and tones")
        if noise is not None:
            sigma = None if noise.sigma_dn is None else f"{number(noise.sigma_dn)} DN"
            ratio = None if noise.snr_midtone is None else f"{number(noise.snr_midtone)} to 1"
            self.pair("noise at mid-tone", sigma, missing=CANNOT_TELL)
            self.pair("mid-tone to noise", ratio, missing=CANNOT_TELL)
            if noise.read_dn is not None:
                self.pair("noise in the dark", f"{number(noise.read_dn)} DN")
        if tone is not None:
            for label, level_ev in (
                ("darkest 1 %", tone.low_ev),
                ("median", tone.median_ev),
                ("brightest 1 %", tone.high_ev),
            ):
                level = None if level_ev is None else f"{level_ev:.1f} EV, saturation being 0"
                self.pair(label, level)

    def physics(self, frame: AuditedFrame) -> None:
        limits = frame.limits
        if limits is None:
            return
        self.screen.heading("What physics allows at these settings")
        um, px = limits.airy_diameter_um, limits.airy_diameter_px
        airy = (
            None
            if um is None
            else f"{number(um)} µm" + ("" if px is None else f", {number(px)} px")
        )
        self.pair("Airy diameter", airy)
        criterion = limits.diffraction_criterion
        by = "" if criterion is None else f" by {criterion}"
        aperture = limits.diffraction_n
        self.pair("diffraction limit", None if aperture is None else f"f/{tenths(aperture)}{by}")
        hand = limits.handheld_shutter_s
        self.pair("slowest by hand", None if hand is None else shutter(hand))

    def findings(self, frame: AuditedFrame) -> None:
        if frame.state != "measured" and not frame.findings:
            return
        self.screen.heading("Findings")
        reason = plain_reason(frame) or ("" if frame.findings else "None.")
        if reason:
            self.screen.paragraph(reason, indent=2)
        for finding in (*standing(frame), *excused(frame)):
            self.finding(finding)

    def finding(self, finding: Finding) -> None:
        word = "excused" if finding.excused_by is not None else SEVERITY_WORDS[finding.severity]
        self.screen.line("  ", (f"{word}: {kind_words(finding.kind)}", STRONG))
        self.screen.paragraph(finding.message, indent=INDENT)
        if finding.advice:
            self.screen.paragraph(finding.advice, indent=INDENT)
        if finding.excused_by is not None:
            self.screen.paragraph(finding.excused_by, indent=INDENT, label="excused by: ")
        self.screen.paragraph(figures_of(finding), indent=INDENT)
        self.sources(LIMITS_BEHIND[finding.kind])

    def sources(self, names: Sequence[str]) -> None:
        for name in names:
            note = self.limits.get(name)
            if note is None:
                continue
            value = self.report.settings.limits.get(name, note.default)
            shown = value if isinstance(value, str) else figure(value, note.unit)
            text = f"{name} = {shown}: {note.meaning}. Source: {note.source}"
            self.screen.paragraph(text, indent=INDENT, label="limit: ", style=QUIET)

    def print_size(self, frame: AuditedFrame) -> None:
        size = frame.print
        if size is None:
            return
        self.screen.heading("Print")
        for held in holds_at(size):
            self.pair("holds at", held)
        share = target_share(frame)
        of_it = "" if share is None else f"; holds at {figure(share, 'share')} of it"
        self.pair("target, long side", f"{length(size.target_long_cm)}{of_it}")
        self.pair("held back by", _HELD_BACK.get(size.limited_by, size.limited_by))
        if size.limiting_tile is not None and size.limiting_px is not None:
            row, column = size.limiting_tile
            self.pair(
                "fails first",
                f"{size.limiting_place} (row {row}, column {column} of the map), "
                f"where edges are {size.limiting_px:.1f} px wide",
            )
        for label, other_cm in (
            ("a stop wider", size.wider_long_cm),
            ("without the smear", size.steady_long_cm),
        ):
            if other_cm is not None:
                self.pair(label, _bought(other_cm, size.long_cm))
        self.sources(LIMITS_BEHIND_THE_VERDICT)


SMALLEST_GAIN_CM = 0.5
"""Prints are not cut finer."""

_ORDERS: dict[SeriesKind, str] = {
    "repeat": "best first",
    "exposure-bracket": "by fine detail",
    "focus-bracket": "by fine detail",
    "shutter-variants": "by fine detail",
    "panorama": "in order of time",
}

_HELD_BACK = {
    "pixels": "the number of pixels: it is sharp to the last one",
    "softness": "softness",
}


def _bought(long_cm: float, held_cm: float) -> str:
    """What a change would have bought; under half a centimetre is nothing."""
    more_cm = long_cm - held_cm
    if more_cm < SMALLEST_GAIN_CM:
        return "would hold no larger"
    return f"would hold {length(long_cm)}, {length(more_cm)} more"


def _exposure_pairs(exposure: Exposure) -> Iterable[tuple[str, str | None]]:
    camera = _camera(exposure.make, exposure.model)
    serial = "" if exposure.body_serial is None else f", body {exposure.body_serial}"
    offset = exposure.utc_offset or "(camera time, zone not written)"
    focal = None if exposure.focal_mm is None else f"{number(exposure.focal_mm)} mm"
    equivalent = exposure.focal_35mm_mm
    yield "camera", None if camera is None else f"{camera}{serial}"
    yield "lens", exposure.lens
    yield "taken", None if exposure.taken_at is None else f"{exposure.taken_at} {offset}"
    yield "shutter", None if exposure.shutter_s is None else _shutter_in_full(exposure.shutter_s)
    yield "aperture", None if exposure.aperture_n is None else f"f/{number(exposure.aperture_n)}"
    yield "ISO", None if exposure.iso is None else number(exposure.iso)
    yield "focal length", focal
    yield "as on 35 mm film", None if equivalent is None else f"{number(equivalent)} mm"
    yield "bias", None if exposure.bias_ev is None else f"{exposure.bias_ev:+.2f} EV"
    yield "light level", None if exposure.ev100 is None else f"{exposure.ev100:.1f} EV at ISO 100"
    yield "Exif orientation", str(exposure.orientation)
    yield from _rare_exposure_pairs(exposure)


def _camera(make: str | None, model: str | None) -> str | None:
    """Join maker and model; many cameras write the maker in both."""
    if make and model and model.casefold().startswith(make.casefold()):
        return model
    return " ".join(part for part in (make, model) if part) or None


def _rare_exposure_pairs(exposure: Exposure) -> Iterable[tuple[str, str]]:
    """What few files say; left out where it was not written."""
    if exposure.subject_distance_m is not None:
        yield "subject distance", f"{number(exposure.subject_distance_m)} m"
    if exposure.auto_bracket:
        yield "auto bracket", "yes"
    if exposure.digital_zoom is not None:
        yield "digital zoom", f"{number(exposure.digital_zoom)} times: pixels resampled"
    if exposure.composite:
        yield "composite", "made of several exposures"
    if exposure.edited_with is not None:
        yield "edited with", exposure.edited_with
    if exposure.sequence is not None:
        yield "sequence", exposure.sequence


def _shutter_in_full(time_s: float) -> str:
    short = shutter(time_s)
    return f"{short} ({number(time_s)} s)" if "/" in short else short


def _sharpness_pairs(sharpness: Sharpness) -> Iterable[tuple[str, str | None]]:
    yield (
        "edge width, 10-90 %",
        _with_interval(
            sharpness.edge_width_px, sharpness.edge_width_low_px, sharpness.edge_width_high_px, "px"
        ),
    )
    yield (
        "MTF50",
        _with_interval(
            sharpness.mtf50_cpp, sharpness.mtf50_low_cpp, sharpness.mtf50_high_cpp, "cycles/px"
        ),
    )
    ceiling, mtf50 = sharpness.ceiling_mtf50_cpp, sharpness.mtf50_cpp
    reached = (
        ""
        if not ceiling or mtf50 is None
        else f"; {figure(mtf50 / ceiling, 'share')} of it reached"
    )
    yield "ceiling of MTF50", None if ceiling is None else f"{number(ceiling)} cycles/px{reached}"
    yield "edges used", str(sharpness.edges)
    share = sharpness.sharp_share
    yield (
        "sharp part",
        None
        if share is None
        else f"{percent(share)} of the measurable tiles hold at the target print",
    )
    tile = sharpness.best_tile
    yield "sharpest tile", None if tile is None else f"row {tile[0]}, column {tile[1]} of the map"
    yield (
        "smear of the frame",
        _smear(sharpness.smear_px, sharpness.smear_angle_deg, sharpness.smear_confidence),
    )
    if sharpness.moved_share is not None:
        yield "part that moved", f"{percent(sharpness.moved_share)} of the regions with edges"
        yield (
            "smear of that part",
            _smear(sharpness.moved_px, sharpness.moved_angle_deg, sharpness.moved_confidence),
        )
    if sharpness.softer_right is not None:
        yield "left to right", _growth(sharpness.softer_right)
    if sharpness.softer_down is not None:
        yield "top to bottom", _growth(sharpness.softer_down)
    yield (
        "Laplacian variance",
        _scientific(sharpness.laplacian_variance, "linear, full scale 1, noise removed"),
    )
    yield "energy", _scientific(sharpness.energy, "for order inside one series only")


def _with_interval(
    value: float | None, low: float | None, high: float | None, unit: str
) -> str | None:
    if value is None:
        return None
    interval = "" if low is None or high is None else f", between {number(low)} and {number(high)}"
    return f"{number(value)} {unit}{interval}"


def _smear(length_px: float | None, angle_deg: float | None, share: float | None) -> str | None:
    if length_px is None:
        return None
    towards = "" if angle_deg is None else f" along {number(angle_deg)}° (0 level, 90 upright)"
    sure = "" if share is None else f", confidence {percent(share)}"
    return f"{number(length_px)} px{towards}{sure}"


def _growth(log_gain: float) -> str:
    """Give a gain of the logarithm of the edge width in percent."""
    change = math.expm1(log_gain)
    word = "wider" if change >= 0 else "narrower"
    return f"edges get {figure(abs(change), 'share')} {word}, in the frame as stored"


def _scientific(value: float | None, meaning: str) -> str | None:
    return None if value is None else f"{value:.3g} ({meaning})"


def _basis(basis: str) -> str:
    return "the sensor's own samples" if basis == "raw" else "developed pixels, made linear"


def _shares(share: ClippedShare) -> list[str]:
    colours = (share.r, share.g, share.b, share.any, share.all)
    return ["-" if colour is None else percent(colour) for colour in colours]


def _per_colour(colours: PerColour, decimals: int) -> list[str]:
    values = (colours.r, colours.g, colours.b)
    return ["-" if value is None else f"{value:.{decimals}f}" for value in values]


def _cells(cells: Iterable[str]) -> str:
    return "".join(f"{cell:>{MAP_CELL_WIDTH}}" for cell in cells)


def _wide_cells(cells: Iterable[str]) -> str:
    return "".join(f"{cell:>9}" for cell in cells)
