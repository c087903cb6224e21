"""The nouns of the trip report: what many frames say together, and what the next hike can change.

Every statement is one sentence with its figure, its count of frames and its confidence. The fields
are, name by name, the JSON contract of ``frame-audit trip --json`` (format 1, ``docs/trip.md``).
"""

from typing import Literal

from audit.records import Basis, Record, Share, Tool, UsedSettings

Question = Literal[
    "best-aperture",
    "trusted-shutter",
    "slow-shutter",
    "vibration",
    "soft-side",
    "noise",
    "lost-highlights",
    "unused-headroom",
    "left-on",
    "dust",
    "day",
    "folder",
]

Held = Literal["tripod-like", "no sign of a tripod"]
"""How the camera was held, as far as the shutter times of a place tell."""


class TripStatement(Record, frozen=True, kw_only=True):
    """One thing that the frames of a trip say together."""

    question: Question
    subject: str
    """The lens, body, day or folder that it is about."""
    message: str
    """One plain sentence with the figure and the count in it."""
    advice: str = ""
    """What to do on the next hike; empty where nothing needs to change."""
    value: float
    unit: str
    low: float | None = None
    """Lower end of the interval of ``value``, where there is one."""
    high: float | None = None
    frames: int
    """Frames that it rests on."""
    scenes: int
    """Scenes among them: frames of one series, or taken within half a minute, count once."""
    confidence: Share
    """1 less the chance that frames without this would show as much."""
    is_habit: bool
    """Whether it is something to change, rather than something to know."""


class Untold(Record, frozen=True, kw_only=True):
    """A question that these frames do not answer, and why."""

    question: Question
    subject: str
    scenes: int
    """Scenes that there were."""
    reason: str


class AperturePoint(Record, frozen=True, kw_only=True):
    """Edges at one aperture of a lens."""

    aperture_n: float
    frames: int
    scenes: int
    edge_width_px: float
    """Median over scenes."""
    low_px: float | None
    """95 % interval of the median; ``None`` from fewer than six scenes."""
    high_px: float | None
    mtf50_cpp: float | None
    ceiling_px: float | None
    """What a perfect lens leaves at this aperture on these pixels."""


class ApertureCurve(Record, frozen=True, kw_only=True):
    """Sharpness of one lens at one focal length against aperture."""

    body: str
    lens: str
    basis: Basis
    focal_low_mm: float | None
    focal_high_mm: float | None
    points: tuple[AperturePoint, ...]


class ShutterRow(Record, frozen=True, kw_only=True):
    """How many frames held at one shutter time and range of focal lengths."""

    held: Held
    focal_low_mm: float
    """35 mm equivalent, the shortest in the row."""
    focal_high_mm: float
    shutter_s: float
    """The longest time in the row; rows are one stop apart."""
    frames: int
    kept: int
    """Hold at the print."""
    smeared: int
    """The camera moved."""


class NoiseRow(Record, frozen=True, kw_only=True):
    """Mid-tone noise of a body at one ISO against the chosen print."""

    body: str
    iso: float
    frames: int
    scenes: int
    snr: float
    """Median signal-to-noise ratio per pixel."""
    clean_snr: float
    """What the chosen print asks for to look clean (ISO 12232)."""
    acceptable_snr: float


class HighlightRow(Record, frozen=True, kw_only=True):
    """What one exposure compensation does to the lights."""

    body: str
    basis: Basis
    bias_ev: float
    frames: int
    scenes: int
    lost: int
    """Scenes with clipped highlights."""
    headroom_ev: float | None
    """Median stops between the brightest colour and saturation, of all scenes."""


class PlaceRow(Record, frozen=True, kw_only=True):
    """A stay at one place: frames of a body without a pause of ten minutes."""

    body: str
    first: str
    last: str
    """Local camera time, ISO 8601."""
    frames: int
    kept: int
    ev100: float | None
    """Median light level."""
    held: Held


class DayRow(Record, frozen=True, kw_only=True):
    """One day in one folder."""

    folder: int
    """Index into ``folders``."""
    day: str | None
    """``YYYY-MM-DD``; ``None`` for frames without a time."""
    frames: int
    scenes: int
    kept: int
    look_again: int
    reject: int
    ev100_low: float | None
    ev100_high: float | None
    places: tuple[PlaceRow, ...]
    """In order of time."""


class TripReport(Record, frozen=True, kw_only=True):
    """The whole answer of ``frame-audit trip``."""

    format: Literal[1] = 1
    """Number of the JSON contract; raised only when a promised key changes its meaning."""
    tool: Tool
    settings: UsedSettings
    folders: tuple[str, ...]
    frames: int
    """Measured frames."""
    unread: int
    scenes: int
    false_alarm_share: Share
    """Chance, for each question, that a trip without the habit brings a statement on it."""
    statements: tuple[TripStatement, ...]
    """Habits first, each group in the order of the questions."""
    untold: tuple[Untold, ...]
    lenses: tuple[ApertureCurve, ...]
    shutters: tuple[ShutterRow, ...]
    noise: tuple[NoiseRow, ...]
    highlights: tuple[HighlightRow, ...]
    days: tuple[DayRow, ...]
    interrupted: bool = False
