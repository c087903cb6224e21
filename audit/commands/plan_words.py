"""The words of ``frame-audit plan``: options to what is asked."""

import argparse
import math
import re

from audit.errors import SettingsError
from audit.plan.camera import camera_of_format, camera_of_sides, camera_of_table
from audit.plan_records import (
    BracketAsked,
    CameraFacts,
    DepthAsked,
    Held,
    PanoramaAsked,
    StarsAsked,
    WaterAsked,
)
from audit.settings import SENSOR_FORMATS, SensorFormat, Settings, parse_length_cm
from audit.words import Words, near_miss

NUMBER = r"(\d+(?:[.,]\d+)?)"

SPEEDS_M_PER_S = {"m/s": 1.0, "ft/s": 0.3048, "km/h": 1 / 3.6, "mph": 0.44704}
"""Units of speed; the mile is 1609.344 m, exact (1959)."""

USUAL_TIMES = "1/1000,1/500,1/125,1/60,1/15,1/4,1,2,8"
"""Times on either side of each change of the look of water."""

MOST_TIMES = 12
"""So many find room on the card (project's choice)."""

USUAL_OVERLAP = "30%"
"""Common practice, no source: 20 to 30 % is aimed at."""

USUAL_FRAME_EV = 8.0
"""Stops that one raw frame holds with shadows fit to print (guess: an engineering range of 13 to
14 stops less the five or six of its noisiest shadows)."""

USUAL_STEP_EV = 2.0
"""Common practice, no source."""

MOST_MEGAPIXELS = 1000.0
LONGEST_FOCAL_MM = 10_000.0
APERTURES_N = (0.5, 128.0)
WIDEST_RANGE_EV = 40.0
"""Bounds of sense on what is typed (guesses)."""


def add_camera_options(words: Words) -> None:
    """Add what the camera, the lens and the depth are told by."""
    formats = ", ".join(SENSOR_FORMATS)
    camera = words.add_argument_group("the camera: one of these ways")
    camera.add_argument(
        "--from", metavar="FRAME", dest="frame", help="as a frame was taken, lens and aperture too"
    )
    camera.add_argument(
        "--sensor", metavar="FORMAT", help=f"{formats}, or its sides: 36x24mm; with one of:"
    )
    camera.add_argument("--megapixels", metavar="N", help="millions of pixels")
    camera.add_argument("--pixels", metavar="WxH", help="pixels along both sides: 8256x5504")
    camera.add_argument("--pitch", metavar="UM", help="distance between pixels: 4.36um")
    camera.add_argument("--camera", metavar="MODEL", help="a body of your own --limits file")
    lens = words.add_argument_group("the lens")
    lens.add_argument("--focal", metavar="MM", help="true focal length, not the equivalent: 24mm")
    lens.add_argument("--aperture", metavar="N", help="f-number (default: the plan chooses)")
    depth = words.add_argument_group("what is to be sharp")
    depth.add_argument("--focus", metavar="DISTANCE", help="focused at: 3m, 10ft, inf")
    depth.add_argument("--near", metavar="DISTANCE", help="nearest thing that is to be sharp")
    depth.add_argument("--far", metavar="DISTANCE", help="farthest (default: inf)")


def add_subject_options(words: Words) -> None:
    """Add the subjects that a plan may hold."""
    water = words.add_argument_group("running water")
    water.add_argument("--water", metavar="SPEED", help="across the view: 2m/s, 7ft/s, 8km/h")
    water.add_argument("--distance", metavar="DISTANCE", help="how far away it is")
    water.add_argument("--times", metavar="TIMES", help=f"default: {USUAL_TIMES}")
    stars = words.add_argument_group("stars")
    stars.add_argument("--stars", action="store_true", help="how long they stay points")
    stars.add_argument(
        "--declination",
        metavar="DEG",
        help="of the sky in the frame nearest the celestial equator (default: 0, the equator)",
    )
    sweep = words.add_argument_group("panorama")
    sweep.add_argument("--panorama", metavar="WxH", help="field in degrees: 120, 120x40, 360")
    sweep.add_argument("--overlap", metavar="SHARE", help="of neighbours, as angle (default: 30%%)")
    sweep.add_argument("--held", metavar="HOW", help="portrait (default) or landscape")
    bracket = words.add_argument_group("exposure bracket")
    bracket.add_argument("--bracket", metavar="EV", help="range of the scene in stops: 14")
    bracket.add_argument(
        "--holds", metavar="EV", help=f"what one frame holds (default: {USUAL_FRAME_EV:g}, a guess)"
    )
    bracket.add_argument(
        "--step", metavar="EV", help=f"from frame to frame (default: {USUAL_STEP_EV:g})"
    )
    bracket.add_argument("--metered", metavar="TIME", help="time of the middle frame: 1/60")


# ---------------------------------------------------------------- options to what is asked


def camera_asked(options: argparse.Namespace, settings: Settings) -> CameraFacts:
    """Camera by its sensor or by the user's own table.

    Raises
    ------
    SettingsError
        If too little or too much is told, or it makes no sense.
    """
    if options.camera is not None:
        return _own_camera(options.camera, settings)
    if options.sensor is None:
        raise SettingsError(
            "expected a camera, as in: frame-audit plan --sensor full-frame --megapixels 45"
            " --focal 24mm (or --from FRAME, or --camera MODEL)"
        )
    sensor = _sensor(options.sensor)
    told = [name for name in ("megapixels", "pixels", "pitch") if getattr(options, name)]
    if len(told) != 1:
        found = " ".join(f"--{name}" for name in told) or "none"
        raise SettingsError(
            f"--sensor: expected one of --megapixels, --pixels or --pitch with it, found {found}"
        )
    if options.megapixels is not None:
        megapixels = _amount("--megapixels", options.megapixels, "45", most=MOST_MEGAPIXELS)
        return camera_of_format(sensor, megapixels)
    if options.pitch is not None:
        pitch_um = _amount("--pitch", options.pitch, "4.36um", unit="um", most=50.0)
        width_px, height_px = (
            round(1000 * side / pitch_um) for side in (sensor.width_mm, sensor.height_mm)
        )
    else:
        width_px, height_px = (round(side) for side in _sides("--pixels", options.pixels, "px"))
    if not min(width_px, height_px) >= 1:
        raise SettingsError(f"--sensor: expected pixels on it, found {width_px} x {height_px}")
    return camera_of_sides(
        sensor.width_mm, sensor.height_mm, width_px, height_px, f"{sensor.name}, as given"
    )


def focal_asked(text: str) -> float:
    """Focal length in mm from ``24`` or ``24mm``."""
    return _amount("--focal", text, "24mm", unit="mm", most=LONGEST_FOCAL_MM)


def aperture_asked(text: str) -> float:
    """F-number from ``11`` or ``f/11``."""
    least, most = APERTURES_N
    return _amount("--aperture", text.lower().removeprefix("f/"), "11", least=least, most=most)


def depth_asked(options: argparse.Namespace) -> DepthAsked:
    """Distances of focus, near and far."""
    if options.far is not None and options.near is None:
        raise SettingsError("--far: expected --near with it, found none")
    if options.near is not None and options.focus is not None:
        raise SettingsError("expected --focus, or --near and --far, found both")
    near_m = None if options.near is None else distance_m("--near", options.near)
    if near_m is not None and math.isinf(near_m):
        raise SettingsError("--near: expected a finite distance, found inf")
    return DepthAsked(
        focus_m=None if options.focus is None else distance_m("--focus", options.focus),
        near_m=near_m,
        far_m=None if options.far is None else distance_m("--far", options.far),
    )


def water_asked(options: argparse.Namespace) -> WaterAsked | None:
    """Speed, distance and times of water."""
    if options.water is None:
        _refuse_alone(options, "--water", ("distance", "times"))
        return None
    if options.distance is None:
        raise SettingsError("--water: expected --distance with it, as in --distance 5m, found none")
    reach_m = distance_m("--distance", options.distance)
    if math.isinf(reach_m):
        raise SettingsError("--distance: expected a finite distance, found inf")
    times = (options.times or USUAL_TIMES).split(",")
    if len(times) > MOST_TIMES:
        raise SettingsError(f"--times: expected at most {MOST_TIMES}, found {len(times)}")
    return WaterAsked(
        speed_m_per_s=_speed_m_per_s(options.water),
        distance_m=reach_m,
        shutters_s=tuple(time_s("--times", each) for each in times),
    )


def stars_asked(options: argparse.Namespace) -> StarsAsked | None:
    """Whether there are stars, and which."""
    if not options.stars:
        _refuse_alone(options, "--stars", ("declination",))
        return None
    text = options.declination or "0"
    try:
        declination = float(text)
    except ValueError:
        declination = math.nan
    if not -90 < declination < 90:
        raise SettingsError(f"--declination: expected degrees between -90 and 90, found {text!r}")
    return StarsAsked(declination_deg=declination)


def panorama_asked(options: argparse.Namespace) -> PanoramaAsked | None:
    """Field, overlap and how the camera is held."""
    if options.panorama is None:
        _refuse_alone(options, "--panorama", ("overlap", "held"))
        return None
    width, _, height = options.panorama.lower().removesuffix("deg").partition("x")
    return PanoramaAsked(
        width_deg=_amount("--panorama", width, "120x40", most=360.0),
        height_deg=_amount("--panorama", height, "120x40", most=160.0) if height else None,
        overlap=_share("--overlap", options.overlap or USUAL_OVERLAP),
        held=_held(options.held or "portrait"),
    )


def bracket_asked(options: argparse.Namespace) -> BracketAsked | None:
    """Range of the scene, range of a frame and step."""
    if options.bracket is None:
        _refuse_alone(options, "--bracket", ("holds", "step", "metered"))
        return None

    def stops(name: str, text: str | None, usual: float) -> float:
        if text is None:
            return usual
        return _amount(name, text, "2", unit="ev", least=0.1, most=WIDEST_RANGE_EV)

    return BracketAsked(
        range_ev=stops("--bracket", options.bracket, 0.0),
        frame_range_ev=stops("--holds", options.holds, USUAL_FRAME_EV),
        step_ev=stops("--step", options.step, USUAL_STEP_EV),
        middle_shutter_s=None if options.metered is None else time_s("--metered", options.metered),
    )


# ---------------------------------------------------------------- words to figures


def distance_m(option: str, text: str) -> float:
    """Read ``3m``, ``10ft``, ``50cm`` or ``inf`` as metres; a unit is asked for.

    Raises
    ------
    SettingsError
        If it is no distance.
    """
    if text.strip().lower() in ("inf", "infinity"):
        return math.inf
    try:
        length_m = parse_length_cm(text) / 100
    except SettingsError as error:
        raise SettingsError(f"{option}: {error}") from error
    if text.strip()[-1].isdigit():
        raise SettingsError(f"{option}: expected a unit, as in 3m or 10ft, found {text!r}")
    return length_m


def time_s(option: str, text: str) -> float:
    """Read ``1/60``, ``0.4`` or ``2s`` as seconds.

    Raises
    ------
    SettingsError
        If it is no time.
    """
    match = re.fullmatch(rf"\s*(?:1/)?{NUMBER}\s*s?\s*", text.lower())
    value = float(match[1].replace(",", ".")) if match else 0.0
    if not value:
        raise SettingsError(f"{option}: expected a time such as 1/60 or 2s, found {text!r}")
    return 1 / value if "/" in text else value


def _own_camera(model: str, settings: Settings) -> CameraFacts:
    for camera in settings.cameras:
        if camera.model.casefold() == model.casefold():
            return camera_of_table(camera)
    known = ", ".join(camera.model for camera in settings.cameras) or "none"
    raise SettingsError(
        f"--camera: expected a model of your --limits file ({known}), found {model!r}"
    )


def _sensor(text: str) -> SensorFormat:
    known = SENSOR_FORMATS.get(text.lower())
    if known is not None:
        return known
    try:
        sides = _sides("--sensor", text, "mm")
    except SettingsError as error:
        close = near_miss(text, SENSOR_FORMATS)
        raise SettingsError(
            f"--sensor: expected {', '.join(SENSOR_FORMATS)}, or sides such as 36x24mm, "
            f"found {text!r}{close}"
        ) from error
    return SensorFormat(f"{max(sides):g} x {min(sides):g} mm", max(sides), min(sides))


def _sides(option: str, text: str, unit: str) -> tuple[float, float]:
    match = re.fullmatch(rf"\s*{NUMBER}\s*[x×*]\s*{NUMBER}\s*(?:{unit})?\s*", text.lower())
    first, second = (
        (float(side.replace(",", ".")) for side in match.groups()) if match else (0.0, 0.0)
    )
    if not (first > 0 and second > 0):
        raise SettingsError(f"{option}: expected two sides, as in 8256x5504, found {text!r}")
    return first, second


def _amount(
    option: str,
    text: str,
    example: str,
    *,
    unit: str = "",
    least: float = 0.0,
    most: float = math.inf,
) -> float:
    match = re.fullmatch(rf"\s*{NUMBER}\s*(?:{unit})?\s*", text.lower())
    value = float(match[1].replace(",", ".")) if match else 0.0
    if not (value > 0 and least <= value <= most):
        at_most = "" if math.isinf(most) else f" (at most {most:g})"
        raise SettingsError(
            f"{option}: expected a figure such as {example}{at_most}, found {text!r}"
        )
    return value


def _speed_m_per_s(text: str) -> float:
    units = "|".join(re.escape(unit) for unit in SPEEDS_M_PER_S)
    match = re.fullmatch(rf"\s*{NUMBER}\s*({units})\s*", text.lower())
    value = float(match[1].replace(",", ".")) if match else 0.0
    if match is None or not value:
        raise SettingsError(f"--water: expected a speed such as 2m/s or 8km/h, found {text!r}")
    return value * SPEEDS_M_PER_S[match[2]]


def _share(option: str, text: str) -> float:
    """A share from ``30%`` or ``0.3``."""
    value = _amount(option, text.strip().removesuffix("%"), "30%", most=100.0)
    share = value / 100 if "%" in text else value
    if not share < 1:
        raise SettingsError(f"{option}: expected less than 100 %, as in 30%, found {text!r}")
    return share


def _held(text: str) -> Held:
    if text == "portrait":
        return "portrait"
    if text == "landscape":
        return "landscape"
    raise SettingsError(f"--held: expected portrait or landscape, found {text!r}")


def _refuse_alone(options: argparse.Namespace, leader: str, names: tuple[str, ...]) -> None:
    for name in names:
        if getattr(options, name) is not None:
            raise SettingsError(f"--{name}: expected {leader} with it, found none")
