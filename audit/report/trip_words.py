"""Words that the terminal and the page use for a trip report, and its tables as text."""

from collections.abc import Sequence
from dataclasses import dataclass

from audit.report.units import counted, number, percent, shutter
from audit.trip_records import DayRow, PlaceRow, Question, TripReport, TripStatement

UNKNOWN = "?"

QUESTION_WORDS: dict[Question, str] = {
    "best-aperture": "best aperture",
    "trusted-shutter": "trusted shutter",
    "slow-shutter": "slow shutter",
    "vibration": "vibration",
    "soft-side": "soft side",
    "noise": "noise",
    "lost-highlights": "lost highlights",
    "unused-headroom": "unused headroom",
    "left-on": "left on",
    "dust": "dust",
    "day": "days",
    "folder": "folders",
}

LEVEL_NOTE = (
    "Each question is asked so that {percent} of trips without the habit would bring a statement "
    "on it; an estimate, such as a trusted time, carries its own confidence. "
    "Frames of one scene count once."
)
NOT_TOLD = (
    "Files do not say whether there was a tripod or a stabiliser: a place counts as tripod-like "
    "if a time of eight times 1/focal length (35 mm equivalent) or longer was used there."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of text; all columns but the first are figures."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def basis_words(statement: TripStatement) -> str:
    """Say what a statement rests on.

    Parameters
    ----------
    statement : TripStatement
    """
    scenes = counted(statement.scenes, "scene")
    frames = counted(statement.frames, "frame")
    return f"{frames}, {scenes}, confidence {percent(statement.confidence)}"


def level_note(trip: TripReport) -> str:
    """Say how often the report may be wrong."""
    return LEVEL_NOTE.format(percent=percent(trip.false_alarm_share))


def title_of(trip: TripReport) -> str:
    """Sum up in one line what the report rests on."""
    frames, scenes = counted(trip.frames, "frame"), counted(trip.scenes, "scene")
    days = len({row.day for row in trip.days if row.day is not None})
    unread = f", {trip.unread} unread" if trip.unread else ""
    return f"{frames} of {scenes} on {counted(days, 'day')}{unread}"


def tables(trip: TripReport, *, is_brief: bool = False) -> tuple[Table, ...]:
    """Everything that was counted; tables without a row are left out.

    Parameters
    ----------
    trip : TripReport
    is_brief : bool
        Without what the page shows as a chart and a grid: places and shutter times.
    """
    made = (
        _days(trip),
        *(() if is_brief else (_places(trip),)),
        _apertures(trip),
        *(() if is_brief else (_shutters(trip),)),
        _noise(trip),
        _highlights(trip),
    )
    return tuple(table for table in made if table.rows)


def _days(trip: TripReport) -> Table:
    several = len(trip.folders) > 1
    return Table(
        title="Days",
        headings=("day", *(["folder"] if several else []), "frames", "scenes", "keep",
                  "look again", "reject", "light EV"),
        rows=tuple(
            (
                row.day or "no time",
                *([trip.folders[row.folder]] if several else []),
                *(str(n) for n in (row.frames, row.scenes, row.kept, row.look_again, row.reject)),
                _light(row),
            )
            for row in trip.days
        ),
    )  # fmt: skip


def _light(row: DayRow) -> str:
    if row.ev100_low is None or row.ev100_high is None:
        return UNKNOWN
    return f"{row.ev100_low:.1f} to {row.ev100_high:.1f}"


def _places(trip: TripReport) -> Table:
    return Table(
        title="Light and places (EV at ISO 100)",
        headings=("from", "to", "frames", "keep", "light EV", "held"),
        rows=tuple(
            (
                row.first.replace("T", " ")[:16],
                row.last[11:16],
                str(row.frames),
                str(row.kept),
                UNKNOWN if row.ev100 is None else f"{row.ev100:.1f}",
                _held(row),
            )
            for day in trip.days
            for row in day.places
        ),
    )


def _held(row: PlaceRow) -> str:
    return "tripod-like" if row.held == "tripod-like" else "no sign"


def _apertures(trip: TripReport) -> Table:
    return Table(
        title="Sharpness by aperture (edge width in pixels, smaller is sharper)",
        headings=("lens", "aperture", "scenes", "edge px", "MTF50", "perfect"),
        rows=tuple(
            (
                f"{curve.lens}{_at(curve.focal_low_mm, curve.focal_high_mm)}",
                f"f/{number(point.aperture_n)}",
                str(point.scenes),
                _width(point.edge_width_px, point.low_px, point.high_px),
                UNKNOWN if point.mtf50_cpp is None else f"{point.mtf50_cpp:.2f}",
                UNKNOWN if point.ceiling_px is None else f"{point.ceiling_px:.2f}",
            )
            for curve in trip.lenses
            for point in curve.points
        ),
    )


def _width(width_px: float, low_px: float | None, high_px: float | None) -> str:
    if low_px is None or high_px is None:
        return f"{width_px:.2f}"
    return f"{width_px:.2f} ({low_px:.2f}-{high_px:.2f})"


def _at(low_mm: float | None, high_mm: float | None) -> str:
    """Range of focal lengths after a name."""
    if low_mm is None or high_mm is None:
        return ""
    return f", {focal_range(low_mm, high_mm)}"


def focal_range(low_mm: float, high_mm: float) -> str:
    """Give a range of focal lengths, or the one."""
    low, high = f"{low_mm:.0f}", f"{high_mm:.0f}"
    return f"{low} mm" if low == high else f"{low}-{high} mm"


def _shutters(trip: TripReport) -> Table:
    return Table(
        title="Shutter time and focal length (35 mm equivalent)",
        headings=("held", "focal", "up to", "frames", "hold", "moved"),
        rows=tuple(
            (
                row.held,
                focal_range(row.focal_low_mm, row.focal_high_mm),
                shutter(row.shutter_s),
                str(row.frames),
                str(row.kept),
                str(row.smeared),
            )
            for row in trip.shutters
        ),
    )


def _noise(trip: TripReport) -> Table:
    return Table(
        title="Noise by ISO (signal over noise of the mid-tones, and what the print asks for)",
        headings=("body", "ISO", "scenes", "measured", "clean", "acceptable"),
        rows=tuple(
            (
                row.body,
                number(row.iso),
                str(row.scenes),
                *(f"{snr:.0f}" for snr in (row.snr, row.clean_snr, row.acceptable_snr)),
            )
            for row in trip.noise
        ),
    )


def _highlights(trip: TripReport) -> Table:
    return Table(
        title="Highlights by exposure compensation (brackets left out)",
        headings=("body", "EV", "scenes", "lost", "headroom EV"),
        rows=tuple(
            (
                row.body,
                f"{row.bias_ev:+.1f}",
                str(row.scenes),
                str(row.lost),
                UNKNOWN if row.headroom_ev is None else f"{row.headroom_ev:.1f}",
            )
            for row in trip.highlights
        ),
    )


def split(trip: TripReport) -> tuple[Sequence[TripStatement], Sequence[TripStatement]]:
    """Statements that ask for a change, and those that are good to know."""
    return (
        [each for each in trip.statements if each.is_habit],
        [each for each in trip.statements if not each.is_habit],
    )
