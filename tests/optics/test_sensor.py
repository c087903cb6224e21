"""Sensor geometry, and a pitch only where the numbers a camera writes make sense."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.optics.sensor import (
    crop_factor,
    diagonal_mm,
    focal_35mm_from_pitch_mm,
    pitch_from_focal_35mm,
    pitch_from_focal_plane,
)


@pytest.mark.parametrize(
    ("width_mm", "height_mm", "diagonal"),
    [
        (36, 24, 43.267),
        (43.8, 32.9, 54.780),
        (53.4, 40.0, 66.720),
        (23.5, 15.6, 28.207),
        (17.3, 13.0, 21.640),
    ],
)
def test_diagonals_of_formats(width_mm: float, height_mm: float, diagonal: float) -> None:
    """Sides of the usual formats, common practice; diagonals computed."""
    assert diagonal_mm(width_mm, height_mm) == pytest.approx(diagonal, abs=1e-3)
    assert crop_factor(diagonal_mm(width_mm, height_mm)) == pytest.approx(43.267 / diagonal, 1e-4)


def test_four_thirds_has_a_crop_of_two() -> None:
    """Common practice, no source."""
    assert crop_factor(diagonal_mm(17.3, 13.0)) == pytest.approx(2.0, abs=0.005)


def test_diagonal_from_a_rounded_equivalent() -> None:
    """F 12.3 mm, F35 18 mm: 29.57 mm diagonal, within 2.8 % (computed; Exif tag 0xA405)."""
    found = pitch_from_focal_35mm(12.3, 18, 3000, 4000)
    assert found.pitch_um is not None
    assert found.pitch_um * 5000 / 1000 == pytest.approx(29.57, abs=0.01)
    assert found.error_share == pytest.approx(0.028, abs=5e-4)


@pytest.mark.parametrize(("focal_35mm_mm", "error_share"), [(24, 0.02), (12, 0.04)])
def test_error_of_a_rounded_equivalent(focal_35mm_mm: float, error_share: float) -> None:
    """Half a millimetre in a whole number (computed; 24 mm 2 %, 12 mm 4 %)."""
    found = pitch_from_focal_35mm(focal_35mm_mm / 1.5, focal_35mm_mm, 6000, 4000)
    assert found.error_share == pytest.approx(error_share, abs=2e-3)


@given(st.floats(8, 400), st.floats(2, 8), st.integers(4000, 8000))
def test_pitch_comes_back_within_its_error(focal_mm: float, pitch_um: float, width_px: int) -> None:
    height_px = width_px * 2 // 3
    written = round(focal_35mm_from_pitch_mm(focal_mm, pitch_um, width_px, height_px))
    found = pitch_from_focal_35mm(focal_mm, written, width_px, height_px)
    assert found.pitch_um is not None
    assert found.error_share is not None
    # To first order; the error counts from the written number, the true one may lie below it.
    assert abs(found.pitch_um / pitch_um - 1) <= found.error_share * 1.05 + 1e-9


@pytest.mark.parametrize(
    ("focal_mm", "focal_35mm_mm"), [(None, 24), (16.0, None), (0.0, 24), (16.0, 0)]
)
def test_unknown_focal_lengths_give_no_pitch(
    focal_mm: float | None, focal_35mm_mm: float | None
) -> None:
    """Exif: 0 means unknown in tags 0x920A and 0xA405."""
    found = pitch_from_focal_35mm(focal_mm, focal_35mm_mm, 6000, 4000)
    assert found.pitch_um is None
    assert "unknown" in found.reason


def test_an_equivalent_that_fits_no_camera_gives_no_pitch() -> None:
    found = pitch_from_focal_35mm(50.0, 20, 6000, 4000)
    assert found.pitch_um is None
    assert "mm wide" in found.reason


def test_focal_plane_resolution_as_written() -> None:
    """6000 px at 1675.257 per cm: 35.815 mm, pitch 5.969 um (computed; Exif tags 0xA20E-0xA210)."""
    found = pitch_from_focal_plane(6000, 4000, 1675.257, 1675.257, 3, 50.0, 50)
    assert found.pitch_um == pytest.approx(5.969, abs=5e-4)
    assert found.pitch_um is not None
    assert found.pitch_um * 6 == pytest.approx(35.815, abs=1e-3)
    assert "agrees" in found.reason


@pytest.mark.parametrize(
    ("unit", "per_unit"),
    [(None, 4255.15), (2, 4255.15), (3, 1675.257), (4, 167.5257), (5, 0.1675257)],
)
def test_focal_plane_units(unit: int | None, per_unit: float) -> None:
    """Exif: 2 inch (also where none is written), 3 cm; TIFF/EP: 4 mm, 5 um."""
    found = pitch_from_focal_plane(6000, 4000, per_unit, per_unit, unit)
    assert found.pitch_um == pytest.approx(5.969, abs=1e-3)
    assert "not checked" in found.reason


@pytest.mark.parametrize(("unit", "per_unit"), [(3, 4255.15), (2, 1675.257)])
def test_inch_and_cm_exchanged_are_put_right(unit: int, per_unit: float) -> None:
    """A frequent fault of writers: unit cm with a value per inch, and the other way round."""
    found = pitch_from_focal_plane(6000, 4000, per_unit, per_unit, unit, 50.0, 50)
    assert found.pitch_um == pytest.approx(5.969, abs=1e-3)
    assert "exchanged" in found.reason


def test_an_implausible_sensor_is_put_right_without_an_equivalent() -> None:
    """35.8 mm written per cm but named inch would be a sensor 91 mm wide."""
    found = pitch_from_focal_plane(6000, 4000, 1675.257, 1675.257, 2)
    assert found.pitch_um == pytest.approx(5.969, abs=1e-3)


def test_a_resized_file_is_caught_by_the_equivalent() -> None:
    """1500 px that still carry the resolution of 6000: a sensor 8.95 mm wide at 50 mm = 50 mm."""
    found = pitch_from_focal_plane(1500, 1000, 1675.257, 1675.257, 3, 50.0, 50)
    assert found.pitch_um is None
    assert "35 mm equivalent" in found.reason


@pytest.mark.parametrize(
    ("x_resolution", "y_resolution", "unit", "words"),
    [
        (None, 1675.0, 3, "unknown"),
        (0.0, 0.0, 3, "unknown"),
        (1675.0, 1675.0, 1, "unknown unit"),
        (1675.0, 1600.0, 3, "not square"),
        (72.0, 72.0, 4, "mm wide"),
        (9e6, 9e6, 3, "mm wide"),
    ],
)
def test_numbers_that_make_no_sense_give_a_reason(
    x_resolution: float | None, y_resolution: float | None, unit: int, words: str
) -> None:
    found = pitch_from_focal_plane(6000, 4000, x_resolution, y_resolution, unit)
    assert found.pitch_um is None
    assert words in found.reason


def test_pitch_limits_hold_for_small_files() -> None:
    """1000 px over 35.8 mm would be pixels of 35.8 um: a reduced file, not a sensor."""
    found = pitch_from_focal_plane(1000, 667, 279.2, 279.2, 3)
    assert found.pitch_um is None


def test_impossible_sizes_are_refused() -> None:
    with pytest.raises(ValueError, match="width_px"):
        pitch_from_focal_35mm(50, 50, 0, 4000)
    with pytest.raises(ValueError, match="height_px"):
        pitch_from_focal_plane(6000, 0, 1675, 1675, 3)
    with pytest.raises(ValueError, match="diagonal_mm"):
        crop_factor(0)
