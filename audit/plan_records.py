"""The nouns of a plan: what is asked before the walk, and the answer.

`audit.plan` turns an `Asked` into a `Plan`; the fields of a `Plan` are, name by name, the JSON of
``frame-audit plan --json`` (format 1, ``docs/plan.md``). Unknown is ``None``. A distance that
reaches to infinity is ``None`` with ``to_infinity`` beside it, since JSON has no infinity.
"""

from typing import Annotated, Literal

import msgspec

from audit.records import Record, Share, Tool

Held = Literal["portrait", "landscape"]
"""How the camera is held: long side upright, or level."""

DepthRuleName = Literal["print-and-lens", "print", "diagonal-1500", "film"]
"""What counts as sharp: this print with this aperture's diffraction, this print alone, or one of
the two rules of film."""

Subject = Literal["general", "water", "night", "long-lens", "panorama"]
"""What a caution belongs to."""


# ---------------------------------------------------------------- what is asked


class CameraFacts(Record, frozen=True, kw_only=True):
    """A sensor: its sides and its pixels."""

    width_mm: float
    """Long side."""
    height_mm: float
    width_px: int
    height_px: int
    pitch_um: float
    source: str
    """Where size and pitch come from."""


class WaterAsked(Record, frozen=True, kw_only=True):
    """Water that runs across the line of sight."""

    speed_m_per_s: float
    distance_m: float
    shutters_s: tuple[float, ...]


class StarsAsked(Record, frozen=True, kw_only=True):
    """A sky of stars."""

    declination_deg: float = 0.0
    """Of the part of the sky in the frame that is nearest the celestial equator."""


class PanoramaAsked(Record, frozen=True, kw_only=True):
    """A field to be covered by a sweep."""

    width_deg: float
    height_deg: float | None
    """``None``: whatever one row gives."""
    overlap: Share
    held: Held


class BracketAsked(Record, frozen=True, kw_only=True):
    """A scene whose light spans more than one frame holds."""

    range_ev: float
    frame_range_ev: float
    step_ev: float
    middle_shutter_s: float | None = None


class DepthAsked(Record, frozen=True, kw_only=True):
    """Distances that are to be sharp, or that are focused on; metres, infinity allowed."""

    focus_m: float | None = None
    near_m: float | None = None
    far_m: float | None = None


class Asked(Record, frozen=True, kw_only=True):
    """All that a plan is made from, beside the print and the limits in the settings."""

    camera: CameraFacts
    focal_mm: float
    aperture_n: float | None = None
    """``None``: the plan chooses one and says so."""
    depth: DepthAsked = DepthAsked()
    water: WaterAsked | None = None
    stars: StarsAsked | None = None
    panorama: PanoramaAsked | None = None
    bracket: BracketAsked | None = None


# ---------------------------------------------------------------- the answer


class Lens(Record, frozen=True, kw_only=True):
    """Focal length and aperture of the plan."""

    focal_mm: float
    focal_35mm_mm: float
    aperture_n: float
    aperture_is_chosen: bool
    """The plan chose it; nobody asked for one."""


class PrintPlan(Record, frozen=True, kw_only=True):
    """The print that everything is held against."""

    long_cm: float
    short_cm: float
    viewing_cm: float
    is_chosen: bool
    """No print was asked for: three quarters (``keeper_share``) of the largest one."""
    largest_long_cm: float
    """What a fully sharp frame gives from that distance."""
    px_per_arcmin: float
    """Pixels under one arc-minute of the print as it is seen."""
    edge_width_px: float | None
    """Widest edge with which a frame holds; ``None``: the pixels are too few for this print."""


class ApertureRow(Record, frozen=True, kw_only=True):
    """What a perfect lens gives at one marked aperture."""

    aperture_n: float
    airy_px: float
    edge_width_px: float
    """10-90 % edge width that diffraction and the pixel leave."""
    long_cm: float
    """Largest print that holds."""
    cost_cm: float
    """Long side lost against a fully sharp frame."""
    holds: bool
    """Whether it reaches the print of the plan."""
    hyperfocal_m: float | None
    """For this print, diffraction counted in; ``None``: no room is left for any defocus."""


class AperturePlan(Record, frozen=True, kw_only=True):
    """How far to stop down."""

    criterion: str
    criterion_meaning: str
    limited_n: float
    """F-number from which the criterion calls the frame diffraction limited."""
    smallest_holding_n: float | None
    """Last marked aperture at which a perfect lens reaches the print; ``None``: none does."""
    turning_n: float | None
    """Marked aperture with the greatest depth for this print: past it, stopping down costs print
    and depth. ``None``: no aperture leaves room for depth."""
    rows: tuple[ApertureRow, ...]


class DepthRow(Record, frozen=True, kw_only=True):
    """Depth of field by one meaning of sharp."""

    rule: DepthRuleName
    coc_mm: float | None
    """Circle of confusion on the sensor; ``None``: diffraction leaves none."""
    coc_px: float | None
    hyperfocal_m: float | None
    near_m: float | None
    """At the plan's focus; without one, focused at this rule's hyperfocal distance."""
    far_m: float | None
    to_infinity: bool


class FilmTrap(Record, frozen=True, kw_only=True):
    """What becomes of infinity when the focus is set by the film rule."""

    focus_m: float
    disc_px: float
    edge_width_px: float
    long_cm: float
    """Largest print at which infinity still holds."""


class RangePlan(Record, frozen=True, kw_only=True):
    """One focus and one aperture for a near and a far point."""

    near_m: float
    far_m: float | None
    to_infinity: bool
    focus_m: float
    """Both points are equally soft."""
    aperture_n: float
    """Without one asked for, the mark at which both points are sharpest: wider, defocus takes more,
    smaller, diffraction."""
    edge_width_px: float
    long_cm: float
    """Largest print at which both points hold."""
    holds: bool
    bracket: "FocusBracket | None"
    """What holds where one frame does not; ``None`` where it does, or where nothing would."""


class FocusBracket(Record, frozen=True, kw_only=True):
    """Frames focused one behind the other, sharp for the print all the way."""

    aperture_n: float
    """Where depth is greatest for the print."""
    focus_m: tuple[float, ...]
    """From near to far; each frame's depth begins where the last one's ends."""


class DepthPlan(Record, frozen=True, kw_only=True):
    """What is sharp enough, for this print and by the film rules."""

    focus_m: float | None
    """``None``: each rule's own hyperfocal distance."""
    focus_at_infinity: bool
    rows: tuple[DepthRow, ...]
    film_trap: FilmTrap
    range: RangePlan | None


class HandTime(Record, frozen=True, kw_only=True):
    """Slowest shutter from the hand, for a smear."""

    smear_px: float
    shutter_s: float
    marked_s: float
    """Next marked time that is no longer."""


class HandPlan(Record, frozen=True, kw_only=True):
    """Slowest shutter from the hand, by three measures."""

    rate_deg_per_s: float
    audit: HandTime
    """Smear from which the audit calls a shutter slow."""
    print: HandTime
    """Smear of one arc-minute on the print."""
    film: HandTime
    """One over the focal length, 35 mm equivalent, and the smear that it leaves."""


class WaterRow(Record, frozen=True, kw_only=True):
    """Running water at one shutter time."""

    shutter_s: float
    travel_px: float
    travel_mm: float
    """On the print."""
    look: str
    """Word of common practice; no source."""


class WaterPlan(Record, frozen=True, kw_only=True):
    """Running water at chosen times."""

    speed_m_per_s: float
    distance_m: float
    rows: tuple[WaterRow, ...]


class StarPlan(Record, frozen=True, kw_only=True):
    """How long stars stay points."""

    declination_deg: float
    drift_px_per_s: float
    print_s: float
    """Within one arc-minute of the print."""
    npf_full_s: float
    npf_simple_s: float
    rule_500_s: float
    rule_500_px: float
    """Trail that the rule of 500 leaves."""


class PanoramaPlan(Record, frozen=True, kw_only=True):
    """A sweep: how to turn, and what it gives."""

    width_deg: float
    height_deg: float
    """Clean field that the frames give, at least what was asked for."""
    held: Held
    columns: int
    rows: int
    frames: int
    full_turn: bool
    step_deg: float | None
    """``None`` for a single column."""
    overlap: float | None
    """Share of the field of view in angle, after the steps are evened out."""
    overlap_width: float | None
    """The same on the middle line of the frame in pixels, which the audit measures."""
    yaws_deg: tuple[float, ...]
    """Directions from the middle of the field, to the right."""
    row_step_deg: float | None
    row_overlap: float | None
    row_overlap_width: float | None
    pitches_deg: tuple[float, ...]
    """Tilts of the rows, upwards, from the highest."""
    one_row_less_deg: float | None
    """Clean height of one row less, as far apart as the overlap allows; ``None`` for one row."""
    stitched_width_px: int
    stitched_height_px: int
    """Bounding box on a level cylinder, as the audit of a sweep gives it."""
    clean_width_px: int
    clean_height_px: int
    """Without the empty corners between the frames."""
    long_cm: float
    """Largest print of the clean part at the plan's aperture."""
    short_cm: float


class BracketPlan(Record, frozen=True, kw_only=True):
    """An exposure bracket that holds a scene."""

    range_ev: float
    frame_range_ev: float
    step_ev: float
    frames: int
    covered_ev: float
    offsets_ev: tuple[float, ...]
    """From the darkest."""
    shutters_s: tuple[float, ...] | None
    """``None``: no middle time was given."""


class Caution(Record, frozen=True, kw_only=True):
    """A danger that the plan leads towards."""

    subject: Subject
    text: str


class Plan(Record, frozen=True, kw_only=True):
    """The whole answer."""

    format: Annotated[int, msgspec.Meta(ge=1)] = 1
    tool: Tool
    camera: CameraFacts
    lens: Lens
    print: PrintPlan
    aperture: AperturePlan
    depth: DepthPlan
    hand: HandPlan
    water: WaterPlan | None
    stars: StarPlan | None
    panorama: PanoramaPlan | None
    bracket: BracketPlan | None
    cautions: tuple[Caution, ...]
