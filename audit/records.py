"""The nouns of the program: plain, frozen records that every part hands to the next.

``Folder -> Frame -> Reading (or Unread) -> Finding -> Series -> Report``

A `Reading` holds what was measured and is all that the store keeps. A `Report` is the whole answer
of a run; its fields are, name by name, the JSON contract (format 1, ``docs/json-format.md``).
Unknown is ``None``, never 0, NaN or a guess. Lengths carry their unit in the field's name.
"""

from typing import Annotated, Literal

import msgspec

State = Literal[
    "measured", "damaged", "unsupported", "too-large", "timed-out", "crashed", "unreadable"
]
Severity = Literal["note", "warn", "fault"]
Verdict = Literal["keeper", "look-again", "reject", "unread"]
Basis = Literal["raw", "developed"]
Depth = Literal["full", "first-look"]
"""How a frame was read: in full, or by its preview or its own pixels at reduced size alone."""
Repeats = Literal["keep", "look-again", "reject"]
"""What becomes of a repeat that is not the best one: its own verdict, or at best this one."""
SeriesKind = Literal["repeat", "exposure-bracket", "focus-bracket", "shutter-variants", "panorama"]
FindingCode = Literal[
    "missed-focus",
    "camera-shake",
    "subject-motion",
    "diffraction",
    "slow-shutter",
    "vibration-window",
    "soft-side",
    "clipped-highlights",
    "blocked-shadows",
    "noise",
    "haze",
    "no-edges",
    "sharpened",
    "damaged",
    "dust",
    "odd-settings",
]

PictureName = Literal["registration", "sensor", "thumbnail", "sharpest", "softest"]
"""Small pictures that a worker makes beside a reading:

- ``registration``: grey PNG, long edge 256 px, viewed orientation, for joining frames into series
- ``sensor``: grey PNG in stored orientation, for dust
- ``thumbnail``, ``sharpest``, ``softest``: what the report page shows
"""

Share = Annotated[float, msgspec.Meta(ge=0, le=1)]
"""A part of a whole, 0 to 1."""


class Record(msgspec.Struct, frozen=True, kw_only=True):
    """Base of all records: frozen, by keyword only."""


# ---------------------------------------------------------------- what lies on the disk


class Frame(Record, frozen=True, kw_only=True):
    """One exposure on the disk: a raw file, a developed file, or the pair of both."""

    folder: int = 0
    """Index of the folder that was named."""
    file: str
    """Path of the main file below that folder, POSIX style; bytes outside UTF-8 as ``\\xNN``."""
    path: bytes
    """Path of the main file as the system knows it (``os.fsencode``)."""
    companions: tuple[str, ...] = ()
    """Other files of the same exposure (a raw's JPEG twin), written like ``file``."""
    companion_paths: tuple[bytes, ...] = ()
    """Paths of the companions as the system knows them."""
    companion_mtimes_ns: tuple[int, ...] = ()
    format: str
    """Format by content: ``dng``, ``cr3``, ``jpeg`` ..."""
    size_bytes: int
    mtime_ns: int


class Skipped(Record, frozen=True, kw_only=True):
    """Something in a folder that is no frame, and why."""

    folder: int = 0
    file: str
    reason: str


# ---------------------------------------------------------------- what the camera wrote


class Exposure(Record, frozen=True, kw_only=True):
    """Settings as the camera wrote them (nominal values); ``None`` where it did not say."""

    make: str | None = None
    model: str | None = None
    lens: str | None = None
    body_serial: str | None = None
    taken_at: str | None = None
    """Local camera time, ISO 8601 with as many fractional digits as were written, no zone."""
    utc_offset: str | None = None
    """``+02:00``; ``None`` where the camera did not say."""
    shutter_s: float | None = None
    aperture_n: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    bias_ev: float | None = None
    ev100: float | None = None
    """Av + Tv - log2(ISO / 100): the light level that the settings fit, in EV at ISO 100."""
    orientation: Annotated[int, msgspec.Meta(ge=1, le=8)] = 1
    auto_bracket: bool | None = None
    """Exif ExposureMode 2."""
    subject_distance_m: float | None = None
    """Exif SubjectDistance; infinity is left out as unknown."""
    digital_zoom: float | None = None
    """Exif DigitalZoomRatio above 1: the pixels were resampled in the camera."""
    composite: bool | None = None
    """Exif CompositeImage 2 or 3: made of several exposures."""
    edited_with: str | None = None
    """Editing software that Exif 3.0 names; the pixels are then not the camera's."""
    sequence: str | None = None
    """DNG ImageSequenceInfo: ``id/type/index/count``."""


class SensorFacts(Record, frozen=True, kw_only=True):
    """What the file says about its pixels, before a pixel pitch is chosen from it."""

    width_px: int
    """Columns of the picture as stored (before Orientation)."""
    height_px: int
    basis: Basis
    native_width_px: int | None = None
    """Columns of the full-size picture when the file says that it holds fewer (else the same)."""
    focal_plane_x: float | None = None
    """Exif FocalPlaneXResolution, per unit."""
    focal_plane_y: float | None = None
    focal_plane_unit: int | None = None
    """Exif FocalPlaneResolutionUnit: 2 inch, 3 cm, 4 mm, 5 um."""
    database_crop: float | None = None
    """Crop factor of a strict match in the lens database (extra ``lensdb``)."""
    cfa: str | None = None
    """Colour filter pattern of a raw file, row by row: ``RGGB``."""
    black_dn: tuple[float, ...] | None = None
    """Black level per site of the pattern."""
    white_dn: tuple[float, ...] | None = None
    """Nominal white level per site of the pattern."""


class Sensor(Record, frozen=True, kw_only=True):
    """Size and pitch of the pixels; the pitch with the name of its source."""

    width_px: int
    height_px: int
    pitch_um: float | None
    pitch_source: str | None
    basis: Basis
    pitch_error_share: float | None = None
    """How far the pitch may be off, as a share of itself, where the source tells."""


# ---------------------------------------------------------------- what was measured


class SharpnessMap(Record, frozen=True, kw_only=True):
    """10-90 % edge width per tile, viewed orientation; ``None`` where nothing could be measured."""

    rows: int
    cols: int
    edge_width_px: tuple[tuple[float | None, ...], ...]


class DetailMap(Record, frozen=True, kw_only=True):
    """Energy of fine detail per tile, viewed orientation: to compare inside one framing only."""

    rows: int
    cols: int
    log2_energy: tuple[tuple[float | None, ...], ...]
    """Of noise-corrected second differences, full scale = 1; ``None`` where tiles are clipped."""
    log2_floor: float
    """What a tile without any detail reads, over the middle of the frame's tiles."""
    coarser: bytes = b""
    """The same at arms of 4, 8 and 16 px: (3, rows, cols) int16, little-endian, hundredths of
    log2; -32768 where tiles are clipped. Packed, since thousands of frames are held at once."""


class Sharpness(Record, frozen=True, kw_only=True):
    """Sharpness in physical units; the edge figures are ``None`` where ``measurable`` is false.

    Of a first look only ``edge_width_high_px`` is known: the sharpest edges are at most so wide.
    """

    laplacian_variance: float | None
    """Variance of the 4-neighbour Laplacian of linear data, noise floor removed, full scale = 1."""
    energy: float | None
    """Noise-corrected, contrast-normalised energy: for order inside one series only."""
    edge_width_px: float | None
    edge_width_low_px: float | None
    edge_width_high_px: float | None
    mtf50_cpp: float | None
    edges: int
    """Edges that the figures rest on."""
    measurable: bool
    reason: str | None = None
    """Why not measurable."""
    mtf50_low_cpp: float | None = None
    mtf50_high_cpp: float | None = None
    ceiling_mtf50_cpp: float | None = None
    """Perfect lens at this aperture times the square pixel."""
    sharp_share: Share | None = None
    """Share of measurable tiles that hold at the chosen print."""
    best_tile: tuple[int, int] | None = None
    """Row and column in ``map``, viewed orientation."""
    map: SharpnessMap | None = None
    smear_px: float | None = None
    smear_angle_deg: float | None = None
    """Direction of movement, viewed orientation: 0 along the rows, counter-clockwise, below 180."""
    smear_confidence: Share | None = None
    """Share of right calls among frames with as much evidence for a smear."""
    moved_share: Share | None = None
    """Share of the frame's regions with edges that are smeared while the rest is not."""
    moved_px: float | None = None
    """Length of that smear."""
    moved_angle_deg: float | None = None
    """Its direction, like ``smear_angle_deg``."""
    moved_confidence: Share | None = None
    softer_right: float | None = None
    """Gain of ln(edge width) from the left to the right side of the frame as stored."""
    softer_down: float | None = None
    """The same from the top row to the bottom row as stored."""


class PerColour(Record, frozen=True, kw_only=True):
    """One figure a colour."""

    r: float | None
    g: float | None
    b: float | None


class ClippedShare(Record, frozen=True, kw_only=True):
    """Share of sites (raw) or pixels (developed) that are lost: by colour, in any, in all."""

    r: Share | None
    g: Share | None
    b: Share | None
    any: Share
    all: Share
    """Lost in every colour at the same place: nothing is left to recover."""


class Clipping(Record, frozen=True, kw_only=True):
    """What is lost at both ends, found on the raw samples where there are any."""

    highlight_share: ClippedShare
    shadow_share: ClippedShare
    headroom_ev: PerColour
    """Stops between the 99.9 % level and saturation; negative never occurs, 0 is clipped."""
    basis: Basis
    saturation_dn: PerColour | None = None
    """Level above black where the samples really saturate, by colour."""


class Noise(Record, frozen=True, kw_only=True):
    """Noise of the picture, from its flat patches."""

    sigma_dn: float | None
    """Standard deviation at the mid-tone (18 % of saturation), DN."""
    snr_midtone: float | None
    """Mid-tone level over its standard deviation."""
    read_dn: float | None = None
    """Standard deviation in the dark, DN."""
    gain_dn: float | None = None
    """Slope of variance against level, DN."""


class Tone(Record, frozen=True, kw_only=True):
    """How the light lies in the frame, in stops below saturation (green)."""

    low_ev: float | None
    """1 % level."""
    median_ev: float | None
    high_ev: float | None
    """99 % level."""


class Histogram(Record, frozen=True, kw_only=True):
    """Share of samples by level, in stops below saturation, darkest bin first."""

    low_ev: float
    """Where the first bin begins; it takes all that is darker too."""
    step_ev: float
    r: tuple[Share, ...] | None
    g: tuple[Share, ...] | None
    b: tuple[Share, ...] | None
    samples: int
    """Looked at, of the colour with the fewest; they are spread evenly over the frame."""
    error_share: Share
    """Largest standard error of a share."""


class Crop(Record, frozen=True, kw_only=True):
    """Where an unscaled cut lies in the frame, viewed orientation."""

    tile: tuple[int, int]
    """Row and column of the sharpness map."""
    left_share: Share
    top_share: Share
    width_share: Share
    height_share: Share
    edge_width_px: float
    """Of that tile."""
    brightened_ev: float
    """Stops by which the picture of it was brightened."""


class Reading(Record, frozen=True, kw_only=True):
    """All that was learnt from one frame's files; what the store keeps."""

    file: str
    """The file whose pixels were measured: the frame's own, or a companion if that was damaged."""
    format: str
    exposure: Exposure
    facts: SensorFacts
    sharpness: Sharpness
    clipping: Clipping
    noise: Noise
    tone: Tone
    detail: DetailMap | None = None
    histogram: Histogram | None = None
    sharpest: Crop | None = None
    """Place of the picture of that name."""
    softest: Crop | None = None
    """Place of the picture of that name; none where only one tile was measured."""
    notes: tuple[str, ...] = ()
    """Sentences about the reading that a person should know."""
    pictures: dict[PictureName, bytes] = {}
    """Encoded small pictures; kept apart from the reading, read one at a time."""
    content_hash: str | None = None
    """Of the measured file: SHA-256, hexadecimal; none of a first look, which does not read all of
    it."""
    depth: Depth = "full"


class Unread(Record, frozen=True, kw_only=True):
    """A frame that could not be measured, and why."""

    state: State
    code: str
    message: str
    exposure: Exposure | None = None
    """What the camera wrote, as far as that could still be read."""
    lost_share: Share | None = None
    """Part of the picture that is lost; ``None`` where it cannot be told."""


class KnownHash(Record, frozen=True, kw_only=True):
    """Hash of a file when it was measured."""

    path: bytes
    """As the system knows it."""
    digest: str
    """SHA-256, hexadecimal."""


# ---------------------------------------------------------------- what was judged


class Limits(Record, frozen=True, kw_only=True):
    """What physics allows at this frame's settings."""

    airy_diameter_um: float | None = None
    airy_diameter_px: float | None = None
    diffraction_n: float | None = None
    """Aperture at which the criterion is met for this pitch."""
    diffraction_criterion: str | None = None
    handheld_shutter_s: float | None = None
    ceiling_edge_width_px: float | None = None
    """Narrowest edge of a perfect lens at this aperture on these pixels."""


class Finding(Record, frozen=True, kw_only=True):
    """One judgement: what, how bad, by which figure against which limit, and what to do."""

    kind: FindingCode
    severity: Severity
    value: float | None
    limit: float | None
    unit: str
    confidence: Share
    message: str
    """A plain sentence with the figure in it."""
    advice: str = ""
    """What to do next time, or now."""
    excused_by: str | None = None
    """Why the finding does not count (a bracket, water drawn on purpose)."""


class Print(Record, frozen=True, kw_only=True):
    """The largest print at which the frame holds."""

    long_cm: float
    short_cm: float
    viewing_cm: float
    limited_by: str
    """``pixels`` (sharp to its last pixel) or ``softness``."""
    close_long_cm: float
    """The same seen from 25 cm."""
    target_long_cm: float
    """The print asked for."""
    limiting_tile: tuple[int, int] | None = None
    """Softest measurable tile of the map: where a larger print fails first."""
    limiting_place: str | None = None
    """That tile in words: ``upper left`` ..."""
    limiting_px: float | None = None
    """Edge width there."""
    wider_long_cm: float | None = None
    """The print a stop wider, as far as diffraction goes; ``None`` for an unknown aperture."""
    steady_long_cm: float | None = None
    """The print without the smear; ``None`` where no smear is sure enough to be named."""
    at_most_long_cm: float | None = None
    """Of a first look: the largest print that may hold; ``long_cm`` is then what holds at least.
    ``None`` where ``long_cm`` was measured."""


class ErrorNote(Record, frozen=True, kw_only=True):
    """Why a frame has no figures."""

    code: str
    message: str


class AuditedFrame(Record, frozen=True, kw_only=True):
    """One row of the report."""

    file: str
    folder: int = 0
    """Index into ``folders``."""
    companions: tuple[str, ...]
    format: str
    state: State
    error: ErrorNote | None
    measured_file: str | None = None
    exposure: Exposure | None = None
    sensor: Sensor | None = None
    sharpness: Sharpness | None = None
    clipping: Clipping | None = None
    noise: Noise | None = None
    tone: Tone | None = None
    histogram: Histogram | None = None
    sharpest: Crop | None = None
    softest: Crop | None = None
    limits: Limits | None = None
    findings: tuple[Finding, ...] = ()
    print: Print | None = None
    verdict: Verdict
    rank: int | None
    verdict_note: str | None = None
    """Why the verdict is another than the frame earns by itself; ``None`` where it is its own."""
    series: str | None = None
    notes: tuple[str, ...] = ()
    depth: Depth = "full"
    """``first-look``: nothing but a preview or a reduced picture was read (``docs/first-look.md``).
    """


class PanoramaPair(Record, frozen=True, kw_only=True):
    """Two frames of a sweep that were joined."""

    a: str
    b: str
    overlap: Share
    brightness_ev: float | None = None
    """Light of b over a, measured where both show the same."""


class Panorama(Record, frozen=True, kw_only=True):
    """A sweep of frames and whether it joins up."""

    layout: Literal["horizontal", "vertical", "multi-row"]
    pairs: tuple[PanoramaPair, ...]
    unlinked: tuple[str, ...]
    gaps: tuple[tuple[str, str], ...]
    weakest: str | None
    exposure_outliers: tuple[str, ...]
    stitched_width_px: int | None
    """Bounding box on a cylinder at the scale of the frames; ``None`` where a link is missing."""
    stitched_height_px: int | None
    print: Print | None
    """The print that the clean rectangle allows at the sharpness of the weakest frame."""
    crop_width_px: int | None = None
    """Largest rectangle without an empty corner."""
    crop_height_px: int | None = None
    unverified: tuple[tuple[str, str], ...] = ()
    """Neighbours whose facing strips are blank: whether they overlap cannot be told."""
    possible_members: tuple[str, ...] = ()
    """Frames beyond a break that stand alone."""
    thin_pairs: tuple[tuple[str, str], ...] = ()
    """Joined neighbours that overlap by less than the limit."""
    wander_deg: float | None = None
    """Largest spread of a row across its direction, tilt of the whole included."""
    wander_cost_px: int | None = None
    """Height of the clean rectangle that wander costs (width, for a vertical sweep)."""
    changed: tuple[str, ...] = ()
    """What changed within the sweep: ``exposure``, ``aperture``, ``focal length``, ``focus``."""
    focal_assumed: bool = False
    """No focal length was written: overlaps hold, sizes rest on an assumed one and are left out."""


class Series(Record, frozen=True, kw_only=True):
    """Frames that were meant together."""

    id: str
    kind: SeriesKind
    files: tuple[str, ...]
    """In order of time."""
    folders: tuple[int, ...] = ()
    """Index into the report's folders of each of ``files``."""
    best: str | None
    """The one frame to keep, or that serves alone; ``None`` where all are needed together."""
    order: tuple[str, ...]
    """Best first."""
    notes: tuple[str, ...]
    panorama: Panorama | None = None


class DustSpot(Record, frozen=True, kw_only=True):
    """A spot at the same place of one body's sensor in unrelated frames."""

    body: str
    """Make, model and serial number."""
    x_share: Share
    """From the left of the frame as stored."""
    y_share: Share
    """From its top."""
    diameter_share: Share
    """Of the stored frame's width."""
    contrast: Share
    """Light that is missing in the middle of the spot, at ``aperture_n``."""
    frames: int
    """Frames whose plain parts show it."""
    aperture_n: float | None = None
    diameter_um: float | None = None
    """On the sensor, where the pixel pitch is known."""
    stacked_frames: int | None = None
    """Frames that could say anything about the place."""
    z: float | None = None
    """Standard errors by which it stands out of the stack."""
    files: tuple[str, ...] = ()
    """The frames that show it."""


CardNoteKind = Literal[
    "missing-numbers", "empty-file", "twins-apart", "same-content", "unread-place"
]


class CardNote(Record, frozen=True, kw_only=True):
    """Something about the files as a whole that a photographer should look at before formatting."""

    kind: CardNoteKind
    message: str
    """A question or a plain sentence with the names in it."""
    folder: int = 0
    """Index into ``folders``."""
    files: tuple[str, ...]


class Tool(Record, frozen=True, kw_only=True):
    """Who made the report."""

    name: str
    version: str


class UsedSettings(Record, frozen=True, kw_only=True):
    """The settings that the judgements rest on."""

    viewing_cm: float
    print_long_cm: float | None
    print_short_cm: float | None
    repeats: Repeats = "look-again"
    """What becomes of repeats that are not the best of their series."""
    limits: dict[str, float | str]


class Counts(Record, frozen=True, kw_only=True):
    """Sums over the report."""

    frames: int
    measured: int
    unread: int
    keeper: int
    look_again: int
    reject: int
    from_store: int
    skipped: int
    findings: dict[str, int]
    first_look: int = 0
    """Of the measured ones: frames of which only a first look was taken."""


class Report(Record, frozen=True, kw_only=True):
    """The whole answer of a run; its JSON form is the contract."""

    format: Literal[1] = 1
    """Number of the JSON contract; raised only when a promised key changes its meaning."""
    tool: Tool
    settings: UsedSettings
    folders: tuple[str, ...]
    frames: tuple[AuditedFrame, ...]
    """Best first, then the unread ones by name."""
    series: tuple[Series, ...] = ()
    dust: tuple[DustSpot, ...] = ()
    skipped: tuple[Skipped, ...] = ()
    card: tuple[CardNote, ...] = ()
    """Whether the files are all there, as far as they tell; no proof of it."""
    counts: Counts
    interrupted: bool = False
