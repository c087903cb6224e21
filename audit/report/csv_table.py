"""The report as a table for a spreadsheet: one row a frame (``docs/csv-format.md``).

Text that a spreadsheet might take for a formula gets an apostrophe (CWE-1236); numbers are written
as numbers, unknown as an empty cell.
"""

import csv
import math
import re
from collections.abc import Iterable
from typing import TextIO

from audit.records import AuditedFrame, Clipping, Report
from audit.report.digest import main_sentence, place_in_series, series_of, standing, weighty
from audit.report.text import inert

Cell = str | float | int | bool | None

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""First characters that make a spreadsheet compute, the full-width ones with some input languages
(CWE-1236; OWASP, CSV injection; from memory)."""

_CELL_STARTS = re.compile(rf"(^|[;\t\r\n])(?=[{re.escape(''.join(FORMULA_STARTS))}])")
"""Where a cell may start: where the text does, and where a spreadsheet that takes another sign for
the separator, or no notice of the quotes, would start a new cell inside it."""

EXPOSURE_FIELDS = (
    "make",
    "model",
    "lens",
    "body_serial",
    "taken_at",
    "utc_offset",
    "shutter_s",
    "aperture_n",
    "iso",
    "focal_mm",
    "focal_35mm_mm",
    "bias_ev",
    "ev100",
    "orientation",
)
SENSOR_FIELDS = ("width_px", "height_px", "pitch_um", "pitch_source", "basis")
SHARPNESS_FIELDS = (
    "edge_width_px",
    "edge_width_low_px",
    "edge_width_high_px",
    "mtf50_cpp",
    "ceiling_mtf50_cpp",
    "edges",
    "measurable",
    "sharp_share",
    "smear_px",
    "smear_angle_deg",
    "smear_confidence",
    "moved_share",
    "moved_px",
    "moved_angle_deg",
    "moved_confidence",
    "softer_right",
    "softer_down",
    "laplacian_variance",
    "energy",
)
LIMIT_FIELDS = (
    "airy_diameter_um",
    "airy_diameter_px",
    "diffraction_n",
    "diffraction_criterion",
    "handheld_shutter_s",
)
PRINT_FIELDS = (
    "long_cm",
    "short_cm",
    "viewing_cm",
    "close_long_cm",
    "target_long_cm",
    "limited_by",
)
COLOURS = ("r", "g", "b", "any", "all")

COLUMNS = (
    "rank",
    "verdict",
    "folder",
    "file",
    "companions",
    "format",
    "state",
    "error_code",
    "error_message",
    "measured_file",
    "series",
    "main_finding",
    "main_severity",
    "main_message",
    "findings",
    *(f"print_{field}" for field in PRINT_FIELDS),
    *EXPOSURE_FIELDS,
    *SENSOR_FIELDS,
    *SHARPNESS_FIELDS,
    *(f"highlight_share_{colour}" for colour in COLOURS),
    *(f"shadow_share_{colour}" for colour in COLOURS),
    *(f"headroom_ev_{colour}" for colour in COLOURS[:3]),
    "noise_sigma_dn",
    "snr_midtone",
    *LIMIT_FIELDS,
    "series_kind",
    "series_place",
    "verdict_note",
    "depth",
    "print_at_most_long_cm",
)
"""Promised in this order; new columns are added at the end only."""


def write(report: Report, out: TextIO) -> None:
    """Write one row a frame, best first, in UTF-8 text with CRLF line ends (RFC 4180)."""
    table = csv.writer(out)
    table.writerow(COLUMNS)
    for frame in report.frames:
        table.writerow([_written(cell) for cell in _cells(report, frame)])


def safe_cell(text: str) -> str:
    """Set an apostrophe before all that a spreadsheet might take for the start of a formula.

    What could steer a terminal that shows the file is written by its number.
    """
    text = inert(text, kept="\t\r\n\0")
    marked = _CELL_STARTS.sub(r"\1'", text)
    return f"'{marked}" if "\0" in text and marked[0] != "'" else marked


def _written(cell: Cell) -> Cell:
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float) and not math.isfinite(cell):
        return None
    return safe_cell(cell) if isinstance(cell, str) else cell


def _cells(report: Report, frame: AuditedFrame) -> Iterable[Cell]:
    main = next(iter(weighty(frame)), None)
    yield from (
        frame.rank,
        frame.verdict,
        report.folders[frame.folder],
        frame.file,
        "; ".join(frame.companions),
        frame.format,
        frame.state,
        None if frame.error is None else frame.error.code,
        None if frame.error is None else frame.error.message,
        frame.measured_file,
        frame.series,
        None if main is None else main.kind,
        None if main is None else main.severity,
        main_sentence(frame),
        " ".join(finding.kind for finding in standing(frame)),
    )
    yield from _fields(frame.print, PRINT_FIELDS)
    yield from _fields(frame.exposure, EXPOSURE_FIELDS)
    yield from _fields(frame.sensor, SENSOR_FIELDS)
    yield from _fields(frame.sharpness, SHARPNESS_FIELDS)
    yield from _clipping_cells(frame.clipping)
    yield from _fields(frame.noise, ("sigma_dn", "snr_midtone"))
    yield from _fields(frame.limits, LIMIT_FIELDS)
    series = series_of(report, frame)
    yield None if series is None else series.kind
    yield None if series is None else place_in_series(series, frame)
    yield frame.verdict_note
    yield frame.depth if frame.state == "measured" else None
    yield None if frame.print is None else frame.print.at_most_long_cm


def _clipping_cells(clipping: Clipping | None) -> Iterable[Cell]:
    yield from _fields(None if clipping is None else clipping.highlight_share, COLOURS)
    yield from _fields(None if clipping is None else clipping.shadow_share, COLOURS)
    yield from _fields(None if clipping is None else clipping.headroom_ev, COLOURS[:3])


def _fields(record: object | None, names: Iterable[str]) -> Iterable[Cell]:
    """Take fields of a record; all unknown where there is none."""
    return (None if record is None else getattr(record, name) for name in names)
