"""Why a frame is soft: its focus, a movement of the camera, or nothing but its aperture."""

import math
from collections.abc import Iterator

from audit.diagnose.case import Case, finding
from audit.diagnose.focus_place import focus_place
from audit.optics.blur import rise_from_sigma_px
from audit.optics.shake import VibrationWindow, vibration_window
from audit.records import Finding

PHYSICS_CONFIDENCE = 0.8
GUESSED_CONFIDENCE = 0.5
"""Confidence of a cause when the limit of the aperture is known, and when it is not (guess)."""

VERTICAL_TOLERANCE_DEG = 25.0
"""A smear this close to the shutter's travel is vertical: wider than the error of a direction."""

UNKNOWN_SHAPE = 0.5
"""Chance of a smear where the shape of the blur cannot be told (guess)."""

HAND_CONFIDENCE = 0.3
"""Confidence that an even softness is the hand's, when its time allows that too (guess)."""


def softness(case: Case) -> Iterator[Finding]:
    """Name the cause when edges are wider than this aperture and these pixels explain.

    A slow shutter alone says nothing: a frame that is sharp all the same stood on a tripod.
    """
    width_px = case.reading.sharpness.edge_width_px
    if width_px is None:
        return
    if case.is_smeared:
        yield from _shake(case, width_px)
    elif width_px > _limit_px(case):
        yield _missed_focus(case, width_px, _limit_px(case))
        yield from _hand(case, width_px)


def is_at_limit(case: Case) -> bool:
    """Whether the frame as a whole is as sharp as its aperture and pixels allow."""
    width_px = case.reading.sharpness.edge_width_px
    return width_px is not None and width_px <= _limit_px(case) and not case.is_smeared


def _limit_px(case: Case) -> float:
    return case.expected_px * case.settings.limits.at_limit_ratio


def _missed_focus(case: Case, width_px: float, limit_px: float) -> Finding:
    known = case.physical_px is not None
    allows = "this aperture allows" if known else "a sharp frame has"
    smeared = case.reading.sharpness.smear_confidence
    doubt = (
        "" if smeared is not None else " (whether they are smeared in one direction cannot be told)"
    )
    place = focus_place(case.reading.sharpness.map)
    lies = "" if place is None else f" The sharpest edges lie {place.words}."
    return finding(
        "missed-focus",
        case.severity_of_width(width_px),
        width_px,
        limit_px,
        confidence=(PHYSICS_CONFIDENCE if known else GUESSED_CONFIDENCE)
        * (1.0 - (UNKNOWN_SHAPE if smeared is None else smeared)),
        message=(
            f"The sharpest edges are {width_px:.1f} px wide where {allows} "
            f"{case.expected_px:.1f} px, alike in all directions{doubt}: the focus missed.{lies}"
        ),
        advice=(
            "Focus again at full magnification on the subject, and shoot a second frame."
            if place is None
            else f"{place.advice}; check it at full magnification, and shoot a second frame."
        ),
    )


def _shake(case: Case, width_px: float) -> Iterator[Finding]:
    """The camera moved: what it drew, and what the time has to do with it."""
    sharpness = case.reading.sharpness
    smear_px, angle_deg = sharpness.smear_px, sharpness.smear_angle_deg
    if smear_px is None:
        return
    confidence = sharpness.smear_confidence or 0.0
    towards = "in a direction too short to tell" if angle_deg is None else direction(angle_deg)
    yield finding(
        "camera-shake",
        case.severity_of_width(width_px),
        smear_px,
        case.settings.limits.smear_px,
        confidence=confidence,
        message=(
            f"Edges are smeared by {smear_px:.1f} px {towards}: the camera moved while it was open."
        ),
        advice=(
            "Use a remote release or a delay, weigh the tripod down, or choose a shorter time."
        ),
    )
    shutter_s, longest_s = case.reading.exposure.shutter_s, case.handheld_s
    if shutter_s is None:
        return
    if longest_s is not None and shutter_s > longest_s:
        yield _slow_shutter(
            case,
            shutter_s,
            longest_s,
            confidence,
            "From the hand, raise ISO or open up; on a tripod, look for what moved it.",
        )
    if angle_deg is not None and _in_vibration_window(case, shutter_s, angle_deg):
        yield finding(
            "vibration-window",
            "warn",
            shutter_s,
            None,
            confidence=confidence / 2,
            message=(
                f"{seconds(shutter_s)} lies between 1/160 s and 1/4 s, where shutter and "
                "mirror shake a tripod, and the smear runs along the shutter's travel."
            ),
            advice=(
                "Use an electronic first curtain or mirror lock-up, or a time outside that range."
            ),
        )


def _hand(case: Case, width_px: float) -> Iterator[Finding]:
    """An even softness may be a hand that wandered, where the time lets it wander that far."""
    shutter_s, longest_s = case.reading.exposure.shutter_s, case.handheld_s
    if shutter_s is None or longest_s is None:
        return
    hand_px = case.settings.limits.handheld_blur_px * shutter_s / longest_s
    if hand_px < _wandered_px(width_px, case.expected_px):
        return
    yield _slow_shutter(
        case,
        shutter_s,
        longest_s,
        HAND_CONFIDENCE,
        "If it was hand-held, choose a shorter time; on a tripod, the focus is to blame.",
    )


def _wandered_px(width_px: float, expected_px: float) -> float:
    """Length of a movement whose variance, spread over both axes, widens the edges this much.

    A straight movement of length L has the variance L^2 / 12 along its direction.
    """
    excess_px2 = (width_px**2 - expected_px**2) / rise_from_sigma_px(1.0) ** 2
    return math.sqrt(24.0 * excess_px2)


def _slow_shutter(
    case: Case, shutter_s: float, longest_s: float, confidence: float, advice: str
) -> Finding:
    return finding(
        "slow-shutter",
        "warn",
        shutter_s,
        longest_s,
        confidence=confidence,
        message=(
            f"{seconds(shutter_s)} is slower than the {seconds(longest_s)} that a hand holds "
            f"within {case.settings.limits.handheld_blur_px:g} px at "
            f"{case.reading.exposure.focal_mm:g} mm."
        ),
        advice=advice,
    )


def _in_vibration_window(case: Case, shutter_s: float, smear_angle_deg: float) -> bool:
    """Whether time and direction fit a vibration of the shutter, which travels down the sensor."""
    if vibration_window(shutter_s) is VibrationWindow.OUTSIDE:
        return False
    travel_deg = 0.0 if case.reading.exposure.orientation in (5, 6, 7, 8) else 90.0
    off_deg = abs(smear_angle_deg - travel_deg) % 180.0
    return min(off_deg, 180.0 - off_deg) <= VERTICAL_TOLERANCE_DEG


def direction(angle_deg: float) -> str:
    """A direction in words with its angle."""
    words = ("sideways", "up to the right", "up and down", "up to the left")
    word = words[round(angle_deg / 45.0) % 4]
    return f"{word} ({angle_deg:.0f} deg)"


def seconds(time_s: float) -> str:
    """A shutter time as photographers write it."""
    if time_s >= 0.3:
        return f"{time_s:.2g} s"
    return f"1/{1 / time_s:.0f} s"
