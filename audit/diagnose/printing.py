"""How large a frame can be printed, where it fails first, and what would have made it larger."""

import math

from audit.diagnose.case import Case
from audit.optics.blur import rise_from_sigma_px
from audit.optics.diffraction import ceiling_edge_width_px
from audit.optics.printing import print_long_cm
from audit.records import Print, SharpnessMap

CLOSE_CM = 25.0
"""Nearest distance of comfortable reading: where a critical eye goes (ISO 12232 uses it too)."""

ROW_WORDS = ("upper", "middle", "lower")
COLUMN_WORDS = ("left", "centre", "right")
"""Thirds of the frame, as it is viewed."""


def print_of(case: Case) -> Print | None:
    """Largest print at which a frame holds; ``None`` where its sharpness is not known."""
    sharpness = case.reading.sharpness
    if case.reading.depth == "first-look":
        return _print_of_first_look(case)
    if sharpness.edge_width_px is None:
        return None
    viewing_cm = case.settings.viewing_cm
    long_cm = _held_cm(case, viewing_cm, sharpness.edge_width_px)
    limiting = None if sharpness.map is None else _softest_tile(sharpness.map)
    return Print(
        long_cm=long_cm,
        short_cm=long_cm * case.short_px / case.long_px,
        viewing_cm=viewing_cm,
        limited_by=(
            "pixels"
            if sharpness.edge_width_px <= case.settings.limits.fully_sharp_px
            else "softness"
        ),
        close_long_cm=_held_cm(case, CLOSE_CM, sharpness.edge_width_px),
        target_long_cm=case.target.long_cm,
        limiting_tile=None if limiting is None else limiting[:2],
        limiting_place=(
            None
            if limiting is None or sharpness.map is None
            else place_of(limiting[:2], sharpness.map)
        ),
        limiting_px=None if limiting is None else limiting[2],
        wider_long_cm=_wider_cm(case, sharpness.edge_width_px),
        steady_long_cm=_steady_cm(case, sharpness.edge_width_px),
    )


def _print_of_first_look(case: Case) -> Print | None:
    """What holds at least, and what may hold at most; ``None`` where nothing was measured."""
    high_px, viewing_cm = case.reading.sharpness.edge_width_high_px, case.settings.viewing_cm
    if high_px is None:
        return None
    long_cm = _held_cm(case, viewing_cm, high_px)
    return Print(
        long_cm=long_cm,
        short_cm=long_cm * case.short_px / case.long_px,
        viewing_cm=viewing_cm,
        limited_by="softness",
        close_long_cm=_held_cm(case, CLOSE_CM, high_px),
        target_long_cm=case.target.long_cm,
        at_most_long_cm=_held_cm(case, viewing_cm, min(case.expected_px, high_px)),
    )


def place_of(tile: tuple[int, int], tiles: SharpnessMap) -> str:
    """A tile in words, by thirds of the frame.

    Parameters
    ----------
    tile : (row, col)
    tiles : SharpnessMap
        The map it belongs to.

    Returns
    -------
    str
        ``upper left``, ``middle``, ``lower right`` ...
    """
    row = ROW_WORDS[int(3 * (tile[0] + 0.5) / tiles.rows)]
    column = COLUMN_WORDS[int(3 * (tile[1] + 0.5) / tiles.cols)]
    return "middle" if (row, column) == ("middle", "centre") else f"{row} {column}"


def _softest_tile(tiles: SharpnessMap) -> tuple[int, int, float] | None:
    """Row, column and width of the widest edge of the map; ``None`` for a map without any."""
    measured = [
        (width, row, col)
        for row, widths in enumerate(tiles.edge_width_px)
        for col, width in enumerate(widths)
        if width is not None
    ]
    if not measured:
        return None
    width, row, col = max(measured)
    return row, col, width


def _wider_cm(case: Case, width_px: float) -> float | None:
    """The print with this aperture's diffraction exchanged for that of a stop wider."""
    aperture_n, pitch_um = case.reading.exposure.aperture_n, case.sensor.pitch_um
    if aperture_n is None or pitch_um is None:
        return None
    now_px, wider_px = (
        ceiling_edge_width_px(n, pitch_um) for n in (aperture_n, aperture_n / math.sqrt(2))
    )
    return _exchanged_cm(case, width_px, now_px**2 - wider_px**2, case.as_filed_px(wider_px))


def _steady_cm(case: Case, width_px: float) -> float | None:
    """The print without the smear, whose variance reaches edges of all directions by half."""
    smear_px = case.reading.sharpness.smear_px
    if smear_px is None or not case.is_smeared:
        return None
    smear_variance = smear_px**2 / 12 / 2
    return _exchanged_cm(
        case, width_px, rise_from_sigma_px(math.sqrt(smear_variance)) ** 2, case.expected_px
    )


def _exchanged_cm(case: Case, width_px: float, less_px2: float, least_px: float) -> float:
    """The print once a part of the blur is taken away; widths of blurs add in squares."""
    left_px = math.sqrt(max(width_px**2 - less_px2, least_px**2))
    return _held_cm(case, case.settings.viewing_cm, min(left_px, width_px))


def _held_cm(case: Case, viewing_cm: float, width_px: float) -> float:
    return print_long_cm(case.long_px, viewing_cm, width_px, case.settings.limits.fully_sharp_px)
