"""Frames, steps and pixels of a stitched picture.

A rectilinear lens that turns about its entrance pupil is assumed, focused far away. Overlap is a
share of the field of view in angle where steps are planned (as tables of practice do) and a share
of the frame's width where pixels are matched; the two differ by a few per cent for wide lenses.
"""

import math

from audit.optics.quantities import require_positive

ROUNDING = 1e-9
"""Steps this close to a whole number count as that number."""


FULL_FRAME_DIAGONAL_MM = math.hypot(36, 24)
"""Diagonal of 24 x 36 mm film, which the equivalent focal length refers to."""


def field_of_view_deg(side_mm: float, focal_mm: float) -> float:
    """Angle that one side of the sensor takes in, in degrees.

    Parameters
    ----------
    side_mm : float
        Side of the sensor in mm (the short one for the width of an upright frame).
    focal_mm : float
        True focal length in mm.

    Returns
    -------
    float
        2 atan(side / 2 f).

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    require_positive(side_mm=side_mm, focal_mm=focal_mm)
    return 2 * math.degrees(math.atan(side_mm / (2 * focal_mm)))


def focal_px_of_equivalent(focal_35mm_mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels from the equivalent on 24 x 36 mm film.

    Parameters
    ----------
    focal_35mm_mm : float
        Focal length that gives the same diagonal field on 24 x 36 mm, in mm.
    width_px, height_px : int
        Sides of the picture, in pixels.

    Returns
    -------
    float
        Equivalent x diagonal in pixels / 43.27 mm (CIPA DCG-001, from memory).

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    require_positive(focal_35mm_mm=focal_35mm_mm, width_px=width_px, height_px=height_px)
    return focal_35mm_mm * math.hypot(width_px, height_px) / FULL_FRAME_DIAGONAL_MM


def step_deg(fov_deg: float, overlap_share: float) -> float:
    """Turn from one frame to the next, in degrees.

    Parameters
    ----------
    fov_deg : float
        Field of view along the turn, in degrees.
    overlap_share : float
        Share of the field that two frames have in common, 0 to below 1.

    Returns
    -------
    float
        Step in degrees.

    Raises
    ------
    ValueError
        If the field is not above 0 or the overlap not within 0 to 1.
    """
    require_positive(fov_deg=fov_deg)
    return fov_deg * (1 - _valid_overlap(overlap_share))


def overlap_share(fov_deg: float, step_deg: float) -> float:
    """Share of the field of view, in angle, that two neighbours have in common.

    Parameters
    ----------
    fov_deg : float
        Field of view along the turn, in degrees.
    step_deg : float
        Turn from one to the other, in degrees.

    Returns
    -------
    float
        0 to 1; negative for a gap.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    require_positive(fov_deg=fov_deg, step_deg=step_deg)
    return 1 - step_deg / fov_deg


def overlap_width_share(fov_deg: float, step_deg: float) -> float:
    """Share of the frame's width, on its middle line, that two neighbours have in common.

    Parameters
    ----------
    fov_deg : float
        Field of view along the turn, in degrees, below 180.
    step_deg : float
        Turn from one to the other, in degrees.

    Returns
    -------
    float
        0 to 1; negative for a gap. Larger than the share in angle, since the rim of a rectilinear
        frame spreads each degree over more pixels.

    Raises
    ------
    ValueError
        If either is not above 0, or the edge of one frame lies behind the other.
    """
    require_positive(fov_deg=fov_deg, step_deg=step_deg)
    near_edge_deg = step_deg - fov_deg / 2
    if fov_deg >= 180 or near_edge_deg >= 90:
        raise ValueError(f"no flat frames of {fov_deg} degrees, {step_deg} degrees apart")
    rim = math.tan(math.radians(fov_deg / 2))
    return (rim - math.tan(math.radians(near_edge_deg))) / (2 * rim)


def full_turn_frames(step_deg: float) -> int:
    """Frames for a full turn.

    Parameters
    ----------
    step_deg : float
        Turn from one frame to the next, in degrees.

    Returns
    -------
    int
        360 over the step, rounded up.

    Raises
    ------
    ValueError
        If the step is not above 0.
    """
    require_positive(step_deg=step_deg)
    return max(1, math.ceil(360 / step_deg - ROUNDING))


def field_frames(field_deg: float, fov_deg: float, overlap_share: float) -> int:
    """Frames for a field less than a full turn; also rows for its height.

    Parameters
    ----------
    field_deg : float
        Angle to cover, in degrees.
    fov_deg : float
        Field of view of one frame in the same direction, in degrees.
    overlap_share : float
        Share of the field of view that two frames have in common, 0 to below 1.

    Returns
    -------
    int
        1 + (field - view) / step, rounded up.

    Raises
    ------
    ValueError
        If an angle is not above 0 or the overlap not within 0 to 1.
    """
    require_positive(field_deg=field_deg)
    steps = (field_deg - fov_deg) / step_deg(fov_deg, overlap_share)
    return 1 + max(0, math.ceil(steps - ROUNDING))


def cylinder_width_px(field_deg: float, focal_mm: float, pitch_um: float) -> float:
    """Width of a field on a cylinder, at the scale of the middle of a frame, in pixels.

    Parameters
    ----------
    field_deg : float
        Angle covered, in degrees.
    focal_mm : float
        True focal length in mm.
    pitch_um : float
        Pixel pitch in um.

    Returns
    -------
    float
        Angle in radians x f / p.

    Raises
    ------
    ValueError
        If any is not above 0.
    """
    require_positive(field_deg=field_deg, focal_mm=focal_mm, pitch_um=pitch_um)
    return math.radians(field_deg) * 1000 * focal_mm / pitch_um


def flat_row_width_px(frame_width_px: int, frames: int, overlap_share: float) -> float:
    """Width of frames laid side by side, in pixels.

    Parameters
    ----------
    frame_width_px : int
        Width of one frame along the row, in pixels.
    frames : int
        Frames in the row, 1 or more.
    overlap_share : float
        Share of a frame's width that two frames have in common, 0 to below 1.

    Returns
    -------
    float
        W (1 + (n - 1)(1 - overlap)).

    Raises
    ------
    ValueError
        If a count is not above 0 or the overlap not within 0 to 1.
    """
    require_positive(frame_width_px=frame_width_px, frames=frames)
    return frame_width_px * (1 + (frames - 1) * (1 - _valid_overlap(overlap_share)))


def dipped_edge_deg(edge_deg: float, step_deg: float) -> float:
    """Elevation of a row's border midway between two frames, or at the end of the row.

    Parameters
    ----------
    edge_deg : float
        Elevation of the border in the middle of a frame: its tilt plus half its field, in degrees,
        0 to below 90.
    step_deg : float
        Turn from one frame to the next, in degrees, 0 to below 180; the field of view along the
        turn for the end of a row, which lies half of it beside the middle of the last frame.

    Returns
    -------
    float
        Elevation in degrees: a straight border bows towards the horizon, tan = tan(edge) cos(turn).

    Raises
    ------
    ValueError
        If an angle lies elsewhere.

    References
    ----------
    The border lies in a plane through the camera's horizontal axis; follows from its equation.
    """
    turn = _half_turn(edge_deg, step_deg)
    return math.degrees(math.atan(math.tan(math.radians(edge_deg)) * math.cos(turn)))


def raised_edge_deg(clean_deg: float, step_deg: float) -> float:
    """Elevation that a row's border needs in the middle of a frame: undoes `dipped_edge_deg`.

    Parameters
    ----------
    clean_deg : float
        Elevation that is to be covered everywhere, in degrees, 0 to below 90.
    step_deg : float
        Turn from one frame to the next, in degrees, 0 to below 180.

    Returns
    -------
    float
        Elevation in degrees.

    Raises
    ------
    ValueError
        If an angle lies elsewhere.
    """
    turn = _half_turn(clean_deg, step_deg)
    return math.degrees(math.atan(math.tan(math.radians(clean_deg)) / math.cos(turn)))


def seam_width_deg(fov_deg: float, row_step_deg: float) -> float:
    """Field along the turn where two rows meet at the horizon, in degrees.

    Parameters
    ----------
    fov_deg : float
        Field of view of one frame along the turn, in degrees, below 180.
    row_step_deg : float
        Tilt from one row to the next, in degrees, 0 to below 180.

    Returns
    -------
    float
        Less than the field: the sides of tilted frames lean together towards the horizon,
        tan(half) = tan(half the field) cos(half the step).

    Raises
    ------
    ValueError
        If an angle lies elsewhere.
    """
    lean = math.cos(_half_turn(fov_deg / 2, row_step_deg))
    return 2 * math.degrees(math.atan(math.tan(math.radians(fov_deg / 2)) * lean))


def corner_width_deg(fov_deg: float, across_deg: float, tilt_deg: float) -> float:
    """Field along the turn between the outer corners of a tilted frame, in degrees.

    Parameters
    ----------
    fov_deg : float
        Field of view along the turn, in degrees, below 180.
    across_deg : float
        Field of view across the turn, in degrees, below 180.
    tilt_deg : float
        Tilt up or down, in degrees; with half the field across below 90.

    Returns
    -------
    float
        The field of view where the frame is level, more where it is tilted.

    Raises
    ------
    ValueError
        If an angle lies elsewhere.
    """
    require_positive(fov_deg=fov_deg, across_deg=across_deg)
    tilt, across = math.radians(abs(tilt_deg)), math.radians(across_deg / 2)
    if fov_deg >= 180 or not tilt + across < math.pi / 2:
        raise ValueError(f"no flat frame of {fov_deg} by {across_deg} degrees tilted {tilt_deg}")
    ahead = math.cos(tilt) - math.tan(across) * math.sin(tilt)
    # Beside the far corners of a tilted frame lie the near ones; a level frame has neither.
    return 2 * math.degrees(math.atan(math.tan(math.radians(fov_deg / 2)) / ahead))


def cylinder_height_px(
    top_deg: float, bottom_deg: float, focal_mm: float, pitch_um: float
) -> float:
    """Height on a cylinder between two elevations, at the scale of the middle of a frame.

    Parameters
    ----------
    top_deg, bottom_deg : float
        Elevations in degrees, between -90 and 90; the top is not below the bottom.
    focal_mm : float
        True focal length in mm.
    pitch_um : float
        Pixel pitch in um.

    Returns
    -------
    float
        (tan top - tan bottom) x f / p, in pixels.

    Raises
    ------
    ValueError
        If a number lies elsewhere.
    """
    require_positive(focal_mm=focal_mm, pitch_um=pitch_um)
    if not -90 < bottom_deg <= top_deg < 90:
        raise ValueError(f"elevations must lie within -90 to 90, got {bottom_deg} to {top_deg}")
    span = math.tan(math.radians(top_deg)) - math.tan(math.radians(bottom_deg))
    return span * 1000 * focal_mm / pitch_um


def _half_turn(elevation_deg: float, step_deg: float) -> float:
    """Half a step in radians, once both angles are found sound."""
    if not (0 <= elevation_deg < 90 and 0 <= step_deg < 180):
        raise ValueError(
            f"expected an elevation below 90 and a step below 180 degrees, "
            f"got {elevation_deg} and {step_deg}"
        )
    return math.radians(step_deg / 2)


def _valid_overlap(overlap_share: float) -> float:
    if not 0 <= overlap_share < 1:
        raise ValueError(f"overlap_share must be at least 0 and below 1, got {overlap_share}")
    return overlap_share
