"""How to turn for a field: frames, steps, rows, and the picture that they give.

Frames are rectilinear and turn about the entrance pupil. Rows are laid one below the other about
the horizon, so that the asked height is covered even at the outer ends (in a full turn: midway
between two frames), where the border of a row dips most; columns so that the asked width is covered
where two rows meet. The picture is measured as the audit of a sweep measures it: in pixels on a
level cylinder at the scale of the frames.
"""

from typing import NamedTuple

from audit.errors import SettingsError
from audit.optics.diffraction import ceiling_edge_width_px
from audit.optics.panorama import (
    corner_width_deg,
    cylinder_height_px,
    cylinder_width_px,
    dipped_edge_deg,
    field_frames,
    field_of_view_deg,
    full_turn_frames,
    overlap_share,
    overlap_width_share,
    raised_edge_deg,
    seam_width_deg,
    step_deg,
)
from audit.plan.paper import held_cm
from audit.plan_records import CameraFacts, PanoramaAsked, PanoramaPlan
from audit.settings import Settings

FULL_TURN_DEG = 360.0

HIGHEST_EDGE_DEG = 80.0
"""A cylinder stretches what lies higher sixfold and more (project's choice)."""


class _Line(NamedTuple):
    """Frames along one direction, evenly spaced about the middle."""

    frames: int
    step_deg: float | None

    @property
    def places_deg(self) -> tuple[float, ...]:
        """Directions from the middle, rising."""
        step = self.step_deg or 0.0
        return tuple(step * (place - (self.frames - 1) / 2) for place in range(self.frames))


def panorama_plan(
    asked: PanoramaAsked,
    camera: CameraFacts,
    focal_mm: float,
    aperture_n: float,
    settings: Settings,
) -> PanoramaPlan:
    """Lay frames over a field.

    Parameters
    ----------
    asked : PanoramaAsked
    camera : CameraFacts
    focal_mm, aperture_n : float
    settings : Settings

    Returns
    -------
    PanoramaPlan

    Raises
    ------
    SettingsError
        If the field reaches too high for a cylinder.
    """
    sides_mm = (camera.width_mm, camera.height_mm)
    along_mm, across_mm = sides_mm if asked.held == "landscape" else sides_mm[::-1]
    along_deg, across_deg = (field_of_view_deg(side, focal_mm) for side in (along_mm, across_mm))
    rows = _rows(asked, along_deg, across_deg)
    seam_deg = along_deg
    if rows.step_deg is not None and rows.frames % 2 == 0:
        seam_deg = seam_width_deg(along_deg, rows.step_deg)
    columns, full_turn = _columns(asked, seam_deg)
    tilt_deg = max(rows.places_deg)
    edge_deg = tilt_deg + across_deg / 2
    # The border of a row bows: lowest at the outer ends, or midway between frames that close.
    bow_deg = columns.step_deg if full_turn and columns.step_deg is not None else seam_deg
    clean_deg = dipped_edge_deg(edge_deg, bow_deg)
    width_deg = FULL_TURN_DEG if full_turn else _span(columns) + seam_deg
    corners_deg = _span(columns) + corner_width_deg(along_deg, across_deg, tilt_deg)
    pixels = (focal_mm, camera.pitch_um)
    clean_px = (
        cylinder_width_px(width_deg, *pixels),
        cylinder_height_px(clean_deg, -clean_deg, *pixels),
    )
    edge_px = ceiling_edge_width_px(aperture_n, camera.pitch_um)
    long_cm = held_cm(round(max(clean_px)), edge_px, settings)
    return PanoramaPlan(
        width_deg=width_deg,
        height_deg=2 * clean_deg,
        held=asked.held,
        columns=columns.frames,
        rows=rows.frames,
        frames=columns.frames * rows.frames,
        full_turn=full_turn,
        step_deg=columns.step_deg,
        overlap=_overlap(along_deg, columns),
        overlap_width=_overlap_width(along_deg, columns),
        yaws_deg=columns.places_deg,
        row_step_deg=rows.step_deg,
        row_overlap=_overlap(across_deg, rows),
        row_overlap_width=_overlap_width(across_deg, rows),
        pitches_deg=rows.places_deg[::-1],
        one_row_less_deg=(
            None
            if rows.frames == 1
            else _rows_height_deg(rows.frames - 1, across_deg, asked.overlap, bow_deg)
        ),
        stitched_width_px=round(cylinder_width_px(min(corners_deg, FULL_TURN_DEG), *pixels)),
        stitched_height_px=round(cylinder_height_px(edge_deg, -edge_deg, *pixels)),
        clean_width_px=round(clean_px[0]),
        clean_height_px=round(clean_px[1]),
        long_cm=long_cm,
        short_cm=long_cm * min(clean_px) / max(clean_px),
    )


def _rows(asked: PanoramaAsked, along_deg: float, across_deg: float) -> _Line:
    """Rows for the asked height, were the columns as wide, or as far apart, as can be."""
    if asked.height_deg is None:
        return _Line(1, None)
    closes = asked.width_deg >= FULL_TURN_DEG
    bow_deg = step_deg(along_deg, asked.overlap) if closes else along_deg
    edge_deg = raised_edge_deg(asked.height_deg / 2, bow_deg)
    if edge_deg > HIGHEST_EDGE_DEG:
        raise SettingsError(
            f"--panorama: expected a height that a cylinder bears, found {asked.height_deg:g} "
            f"degrees, for which the rows would reach {edge_deg:.0f} degrees up"
        )
    count = field_frames(2 * edge_deg, across_deg, asked.overlap)
    return _Line(count, None if count == 1 else (2 * edge_deg - across_deg) / (count - 1))


def _rows_height_deg(rows: int, across_deg: float, overlap: float, bow_deg: float) -> float:
    """Clean height of so many rows, as far apart as the overlap allows."""
    edge_deg = (across_deg + (rows - 1) * step_deg(across_deg, overlap)) / 2
    return 2 * dipped_edge_deg(edge_deg, bow_deg)


def _columns(asked: PanoramaAsked, along_deg: float) -> tuple[_Line, bool]:
    """Columns for the asked width, and whether they close."""
    if asked.width_deg >= FULL_TURN_DEG:
        count = full_turn_frames(step_deg(along_deg, asked.overlap))
        return _Line(count, FULL_TURN_DEG / count), True
    count = field_frames(asked.width_deg, along_deg, asked.overlap)
    if count == 1:
        return _Line(1, None), False
    return _Line(count, (asked.width_deg - along_deg) / (count - 1)), False


def _span(line: _Line) -> float:
    return (line.frames - 1) * (line.step_deg or 0.0)


def _overlap(fov_deg: float, line: _Line) -> float | None:
    return None if line.step_deg is None else overlap_share(fov_deg, line.step_deg)


def _overlap_width(fov_deg: float, line: _Line) -> float | None:
    return None if line.step_deg is None else overlap_width_share(fov_deg, line.step_deg)
