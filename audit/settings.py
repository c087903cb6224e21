"""Limits and options: each limit with its default, unit and source.

Limits judge; they never change a measurement. So a changed limit gives a new report from the store
without a pixel being read. A settings file is TOML::

    viewing_cm = 50
    print = "90x60cm"
    repeats = "look-again"

    [limits]
    airy_px = 3.0

    [[camera]]
    make = "Velmark"
    model = "VK-50"
    width_mm = 36.0
    width_px = 8256

``frame-audit limits`` prints every limit with its meaning, unit and source in this form.
"""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple, get_args, get_type_hints

import msgspec

from audit.errors import SettingsError

INCH_CM = 2.54
FOOT_CM = 30.48
"""The international inch and foot, 1959; exact."""

UNITS_CM = {
    "": 1.0,
    "cm": 1.0,
    "mm": 0.1,
    "m": 100.0,
    "in": INCH_CM,
    '"': INCH_CM,
    "ft": FOOT_CM,
    "'": FOOT_CM,
}
"""Units of length that options understand, in cm."""

Repeats = Literal["keep", "look-again", "reject"]
"""What becomes of a repeat that is not the best one: its own verdict, or at best this one."""

REPEATS: tuple[Repeats, ...] = get_args(Repeats)


def _limit(unit: str, meaning: str, source: str, *, ge: float = 0.0) -> Any:
    """Annotation of one limit: what it means, its unit and where its value comes from."""
    return msgspec.Meta(ge=ge, description=meaning, extra={"unit": unit, "source": source})


class Limits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Every limit that a rule compares with."""

    diffraction_criterion: Annotated[
        str,
        msgspec.Meta(
            pattern="^(airy-2px|airy-2.5px|airy-3px|rayleigh-nyquist|cutoff-nyquist|cutoff-green)$",
            description="which criterion makes an aperture 'diffraction limited'",
            extra={
                "unit": "name",
                "source": "published criteria span 2.6 stops; docs/methods/diffraction.md",
            },
        ),
    ] = "airy-3px"
    fully_sharp_px: Annotated[
        float,
        _limit(
            "px",
            "10-90 % edge width of a fully sharp frame",
            "what a perfect lens at f/6.3 leaves on 4 um pixels (computed)",
        ),
    ] = 1.5
    keeper_share: Annotated[
        float,
        _limit(
            "share",
            "target print, as a share of what a fully sharp frame of that size would give",
            "project's choice: leaves a quarter for cropping and for softness that paper hides",
        ),
    ] = 0.75
    look_again_share: Annotated[
        float,
        _limit(
            "share",
            "below this share of the target print a frame is rejected",
            "project's choice: half a stop of print size",
        ),
    ] = 0.70
    clipped_highlight_share: Annotated[
        float,
        _limit(
            "share",
            "clipped highlights that make a warning",
            "common practice, no source: sun glints and lamps stay below it",
        ),
    ] = 0.005
    lost_highlight_share: Annotated[
        float,
        _limit(
            "share",
            "highlights clipped in all colours that make a fault",
            "common practice, no source",
        ),
    ] = 0.02
    ruined_highlight_share: Annotated[
        float,
        _limit(
            "share",
            "highlights clipped in all colours from which a frame is rejected",
            "project's choice: a tenth of the frame is paper white",
        ),
    ] = 0.10
    blocked_shadow_share: Annotated[
        float,
        _limit("share", "blocked shadows that make a warning", "common practice, no source"),
    ] = 0.02
    lost_shadow_share: Annotated[
        float,
        _limit("share", "blocked shadows that make a fault", "common practice, no source"),
    ] = 0.10
    snr_excellent: Annotated[
        float,
        _limit(
            "ratio",
            "mid-tone signal over noise at the print's viewing scale, excellent",
            "ISO 12232:2019, 6.3.2: 40 on a print of 70 px/cm seen from 25 cm",
        ),
    ] = 40.0
    snr_acceptable: Annotated[
        float,
        _limit(
            "ratio",
            "mid-tone signal over noise at the print's viewing scale, acceptable",
            "ISO 12232:2019, 6.3.2: 10 on a print of 70 px/cm seen from 25 cm",
        ),
    ] = 10.0
    hold_rate_deg_s: Annotated[
        float,
        _limit(
            "deg/s",
            "angular rate of a hand that the 1/focal-length rule assumes",
            "the rule with a 30 um circle of confusion (computed)",
        ),
    ] = 1.72
    handheld_blur_px: Annotated[
        float,
        _limit(
            "px",
            "blur that a hand-held shutter time may leave",
            "project's choice: one fully sharp edge width",
        ),
    ] = 1.5
    smear_px: Annotated[
        float,
        _limit(
            "px",
            "shortest reading that is named a smear",
            "measured: docs/methods/blur-shape.md",
        ),
    ] = 2.0
    smear_confidence: Annotated[
        float,
        _limit(
            "share",
            "confidence below which a smear is not named",
            "measured: docs/methods/blur-shape.md",
        ),
    ] = 0.65
    at_limit_ratio: Annotated[
        float,
        _limit(
            "ratio",
            "edge width over the physical limit up to which a frame is 'at its limit'",
            "measured: docs/methods/diagnosis.md",
            ge=1.0,
        ),
    ] = 1.5
    sharpened_ratio: Annotated[
        float,
        _limit(
            "ratio",
            "MTF50 over the physical ceiling from which a file counts as sharpened",
            "project's choice: beyond the error of a measured MTF50",
            ge=1.0,
        ),
    ] = 1.15
    haze_range_ev: Annotated[
        float,
        _limit(
            "EV",
            "range between the 1 % and 99 % level below which a frame with sound edges is hazy",
            "guess",
        ),
    ] = 2.0
    dust_contrast: Annotated[
        float,
        _limit(
            "share",
            "light missing in a spot of dust from which a frame is noted",
            "project's choice: twice the 1 % that the eye tells apart from its surroundings"
            " (from memory)",
        ),
    ] = 0.02
    silky_shutter_s: Annotated[
        float,
        _limit(
            "s",
            "from here on blurred water is drawn on purpose",
            "common practice, no source: silky from about 1/4 s",
        ),
    ] = 0.25
    thin_overlap_share: Annotated[
        float,
        _limit(
            "share",
            "overlap of neighbouring frames of a sweep below which joining is at risk",
            "common practice, no source: 20-30 % is aimed at, under 15 % is a fault",
        ),
    ] = 0.15
    uneven_exposure_ev: Annotated[
        float,
        _limit(
            "EV",
            "brightness off its neighbours from which a frame of a sweep stands out",
            "measured: docs/methods/panorama.md",
        ),
    ] = 0.3
    weaker_detail_log2: Annotated[
        float,
        _limit(
            "log2",
            "energy of the finest detail below its neighbours' from which a frame of a sweep is "
            "the weakest",
            "measured: docs/methods/panorama.md",
        ),
    ] = 0.15


class Bounds(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one file may cost: bounds on broken and hostile files. They change no measurement."""

    largest_mp: Annotated[
        float,
        _limit(
            "MP",
            "most pixels of a frame that are decoded",
            "twice the largest sensor in use, 150 MP (guess for a bound)",
        ),
    ] = 300.0
    largest_gb: Annotated[
        float,
        _limit(
            "GB",
            "largest file that is read",
            "no still picture comes near; a film or a disk image does (guess)",
        ),
    ] = 2.0
    deadline_s: Annotated[
        float,
        _limit("s", "time for any frame, however small its file", "guess", ge=1.0),
    ] = 30.0
    deadline_s_per_mb: Annotated[
        float,
        _limit(
            "s/MB",
            "time on top for each megabyte",
            "half a second a megapixel at three pixels a byte, a well compressed JPEG (guess)",
        ),
    ] = 1.5
    base_gb: Annotated[
        float,
        _limit(
            "GB",
            "address space of a worker that has read nothing",
            "with room to spare (guess)",
            ge=0.5,
        ),
    ] = 1.0
    bytes_per_px: Annotated[
        float,
        _limit(
            "bytes",
            "memory on top for each pixel of the largest frame",
            "half as much again as the 16 that were measured on raw files",
            ge=1.0,
        ),
    ] = 24.0

    @property
    def largest_px(self) -> int:
        """Most pixels of a frame."""
        return int(self.largest_mp * 1e6)

    @property
    def largest_bytes(self) -> int:
        """Size of the largest file."""
        return int(self.largest_gb * 1e9)

    @property
    def base_bytes(self) -> int:
        """Address space of a worker before its first frame."""
        return int(self.base_gb * 1e9)

    @property
    def worker_bytes(self) -> int:
        """Address space of a worker with the largest frame."""
        return self.base_bytes + int(self.bytes_per_px * self.largest_px)


class Camera(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A body of the user's own, for its pixel pitch."""

    model: Annotated[str, msgspec.Meta(min_length=1)]
    make: str | None = None
    width_mm: Annotated[float, msgspec.Meta(ge=1, le=100)]
    width_px: Annotated[int, msgspec.Meta(ge=100, le=100_000)]
    height_px: Annotated[int, msgspec.Meta(ge=100, le=100_000)] | None = None
    """Needed by a plan alone: a frame tells its own height."""

    @property
    def pitch_um(self) -> float:
        """Distance between neighbouring pixels, um."""
        return self.width_mm * 1000 / self.width_px


class SensorFormat(NamedTuple):
    """A common size of sensor, long side first, in mm."""

    name: str
    width_mm: float
    height_mm: float


SENSOR_FORMATS = {
    each.name: each
    for each in (
        SensorFormat("1-inch", 13.2, 8.8),
        SensorFormat("4/3", 17.3, 13.0),
        SensorFormat("aps-c", 23.5, 15.6),
        SensorFormat("full-frame", 36.0, 24.0),
        SensorFormat("44x33", 43.8, 32.9),
        SensorFormat("54x40", 53.4, 40.0),
    )
}
"""Formats by the trade's names; sides as makers state them (common practice, no source), within
2 % of any one camera's."""


class PrintSize(NamedTuple):
    """A print, long side first, in cm."""

    long_cm: float
    short_cm: float


class Settings(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that a run is told."""

    limits: Limits = Limits()
    bounds: Bounds = Bounds()
    cameras: tuple[Camera, ...] = ()
    print_size: PrintSize | None = None
    viewing_cm: float = 50.0
    repeats: Repeats = "look-again"
    """What becomes of repeats that are not the best of their series."""
    jobs: int | None = None
    """Worker processes, or frames on their way to a cluster; ``None``: as many as can be busy."""
    cluster: str | None = None
    """Address of the scheduler whose workers measure; ``None``: this computer does."""
    cache: Path | None = None
    """Folder of the store; ``None``: the user's cache folder."""
    fresh: bool = False
    """Measure again what the store already holds."""
    quick: bool = False
    """Take a first look only at frames that were not measured yet."""

    def camera(self, make: str | None, model: str | None) -> Camera | None:
        """Return the user's own entry for a body, or ``None``."""
        for camera in self.cameras:
            same_make = camera.make is None or _folded(camera.make) == _folded(make)
            if same_make and _folded(camera.model) == _folded(model):
                return camera
        return None


class LimitNote(NamedTuple):
    """One limit, described."""

    name: str
    default: float | str
    unit: str
    meaning: str
    source: str


def limit_notes() -> Iterator[LimitNote]:
    """Describe every limit, in the order of their declaration."""
    hints = get_type_hints(Limits, include_extras=True)
    for field in msgspec.structs.fields(Limits):
        meta = hints[field.name].__metadata__[0]
        yield LimitNote(
            field.name,
            field.default,
            meta.extra["unit"],
            meta.description,
            meta.extra["source"],
        )


def parse_length_cm(text: str) -> float:
    """Read ``50``, ``50cm``, ``20in``, ``0.5m`` or ``2ft`` as centimetres.

    Raises
    ------
    SettingsError
        If the text is no positive length.
    """
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(cm|mm|m|in|ft|\"|'|)\s*", text.lower())
    if match is None:
        raise SettingsError(f"expected a length such as 50cm or 20in, found {text!r}")
    value = float(match[1].replace(",", "."))
    length_cm = value * UNITS_CM[match[2]]
    if length_cm <= 0:
        raise SettingsError(f"expected a length above 0, found {text!r}")
    return length_cm


def parse_print(text: str) -> PrintSize:
    """Read ``90x60cm`` or ``36x24in``; the order of the sides does not matter.

    Raises
    ------
    SettingsError
        If the text is no size.
    """
    match = re.fullmatch(r"\s*([\d.,]+)\s*[x×*]\s*([\d.,]+)\s*(cm|mm|m|in|\"|)\s*", text.lower())
    if match is None:
        raise SettingsError(f"expected a print size such as 90x60cm or 36x24in, found {text!r}")
    first, second = (parse_length_cm(side + match[3]) for side in (match[1], match[2]))
    return PrintSize(max(first, second), min(first, second))


def parse_repeats(text: str) -> Repeats:
    """Read ``keep``, ``look-again`` or ``reject``.

    Raises
    ------
    SettingsError
        If it is none of them.
    """
    for word in REPEATS:
        if text == word:
            return word
    raise SettingsError(f"expected {', '.join(REPEATS)} for repeats, found {text!r}")


def read_settings_file(path: Path) -> Settings:
    """Read a TOML file of limits, cameras and the print.

    Raises
    ------
    SettingsError
        If the file cannot be read, or holds an unknown name or a value out of range.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: expected TOML, found: {error}") from error
    unknown = set(table) - {"limits", "bounds", "camera", "print", "viewing_cm", "repeats"}
    if unknown:
        raise SettingsError(
            f"{path}: expected limits, bounds, camera, print, viewing_cm or repeats, "
            f"found {sorted(unknown)[0]!r}"
        )
    try:
        return Settings(
            limits=msgspec.convert(table.get("limits", {}), Limits),
            bounds=msgspec.convert(table.get("bounds", {}), Bounds),
            cameras=msgspec.convert(table.get("camera", []), tuple[Camera, ...]),
            print_size=parse_print(str(table["print"])) if "print" in table else None,
            viewing_cm=parse_length_cm(str(table.get("viewing_cm", 50))),
            repeats=parse_repeats(str(table.get("repeats", "look-again"))),
        )
    except (msgspec.ValidationError, SettingsError) as error:
        raise SettingsError(f"{path}: {error}") from error


def _folded(text: str | None) -> str:
    """Make and model without the differences between a camera's own raw and JPEG spelling."""
    return " ".join((text or "").replace("\0", " ").split()).casefold()
