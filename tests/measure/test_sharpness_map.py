"""The frame's number: which part of the frame it comes from, and when there is none."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from planted_edges import invented_edges, joined
from planted_steps import gaussian_mtf50_cpp, gaussian_rise_px, slanted_stripes

from audit.measure.edges import EdgeTable, Plane
from audit.measure.noise import NoiseModel
from audit.measure.sharpness_map import (
    MIN_EDGES,
    SharpnessResult,
    find_small_subject,
    fit_widths,
    measure_sharpness,
    on_block_grid,
)

QUIET = NoiseModel(gain_dn=0.0, floor_dn2=4.0)


def measured(plane: Plane, noise: NoiseModel = QUIET) -> SharpnessResult:
    return measure_sharpness(
        plane, black_dn=0.0, clipped_dn=16_000.0, noise=noise, green_parity=None
    )


def as_plane(values: NDArray[np.float64], sigma_dn: float = 2.0) -> NDArray[np.float32]:
    noisy = values + np.random.default_rng(0).normal(0.0, sigma_dn, values.shape)
    return np.asarray(noisy, dtype=np.float32)


@pytest.mark.parametrize("size", [(400, 600), (20, 30), (600, 400)])
def test_a_bare_frame_is_not_measurable(size: tuple[int, int]) -> None:
    """Noise alone: no number at all, and the reason names both counts."""
    result = measured(as_plane(np.full(size, 4000.0)))

    assert not result.measurable
    assert result.reason is not None
    assert str(MIN_EDGES) in result.reason
    assert result.mtf50_cpp is None
    assert result.edge_width_px is None
    assert np.isnan(result.map.edge_width_px).all()


def test_interval_holds_the_truth() -> None:
    """Noise of 1/60 of the step: the 95 % interval contains the formula's value."""
    theta = math.radians(5.0)
    plane = as_plane(slanted_stripes(sigma_px=0.8, theta=theta), sigma_dn=100.0)

    result = measured(plane, NoiseModel(gain_dn=0.0, floor_dn2=1e4))

    assert result.mtf50_low_cpp is not None
    assert result.mtf50_high_cpp is not None
    assert result.mtf50_low_cpp < gaussian_mtf50_cpp(0.8, theta) < result.mtf50_high_cpp
    assert result.mtf50_high_cpp < 1.2 * result.mtf50_low_cpp


def test_number_follows_the_crisp_side_and_the_map_shows_where() -> None:
    """Left half sigma 0.6 px, right half 2.5 px: the frame's width is the left one's."""
    theta = 0.7
    crisp = slanted_stripes(sigma_px=0.6, theta=theta, rows=480, cols=720)
    soft = slanted_stripes(sigma_px=2.5, theta=theta, rows=480, cols=720)
    plane = np.concatenate([crisp[:, :360], soft[:, 360:]], axis=1)

    result = measured(as_plane(plane))

    assert result.edge_width_px == pytest.approx(gaussian_rise_px(0.6, theta), rel=0.05)
    width = result.map.edge_width_px
    middle = width.shape[1] // 2
    assert np.nanmedian(width[:, middle + 1 :]) > 2.5 * np.nanmedian(width[:, : middle - 1])
    assert result.best_tile is not None
    assert result.best_tile[1] < middle


def test_portrait_map_is_upright() -> None:
    """Stored rows are longer than columns: more rows of tiles than columns."""
    result = measured(as_plane(slanted_stripes(sigma_px=0.8, theta=0.7, rows=720, cols=480)))

    assert result.map.rows > result.map.cols
    assert result.map.edge_width_px.shape == (result.map.rows, result.map.cols)
    assert int(result.map.counts.sum()) >= result.edges


def test_more_noise_does_not_move_the_number() -> None:
    """Noise as at 32 times the sensitivity: under 2 % drift."""
    plane = slanted_stripes(sigma_px=0.9, theta=0.5)
    calm = measured(as_plane(plane, 15.0), NoiseModel(gain_dn=0.0, floor_dn2=225.0))
    loud = measured(as_plane(plane, 85.0), NoiseModel(gain_dn=0.0, floor_dn2=7225.0))

    assert loud.mtf50_cpp == pytest.approx(calm.mtf50_cpp, rel=0.02)


def at(table: EdgeTable, row: float, col: float, spread_px: float) -> EdgeTable:
    """The same edges, moved into one small place."""
    rng = np.random.default_rng(4)
    columns = {n: getattr(table, n) for n in EdgeTable.__slots__}
    columns["row"] = (row + rng.uniform(-1, 1, len(table)) * spread_px).astype(np.float32)
    columns["col"] = (col + rng.uniform(-1, 1, len(table)) * spread_px).astype(np.float32)
    return EdgeTable(**columns)


def test_small_crisp_subject_is_found() -> None:
    """25 crisp edges in a spot among 300 soft ones elsewhere: the spot is the subject."""
    soft = invented_edges(300, sigma_px=2.0, seed=1)
    away = soft.take(np.hypot(soft.row - 120, soft.col - 200) > 60)
    table = joined(away, at(invented_edges(25, sigma_px=0.7, seed=2), 120, 200, 15))
    model = fit_widths(table)

    found = find_small_subject(table, model, (480, 640))

    assert model.mean_sigma_px == pytest.approx(2.0, rel=0.05)
    assert found is not None
    assert found.model.mean_sigma_px == pytest.approx(0.7, rel=0.1)


def test_smear_is_no_small_subject() -> None:
    """Edges along a smear are crisp in a spot as everywhere else: nothing is singled out."""
    table = joined(
        invented_edges(300, sigma_px=0.7, length_px=9.0, seed=1),
        at(
            invented_edges(
                25, sigma_px=0.7, length_px=9.0, normals=(math.pi / 2, math.pi / 2 + 0.05), seed=2
            ),
            120,
            200,
            15,
        ),
    )

    assert find_small_subject(table, fit_widths(table), (480, 640)) is None


def test_smear_averages_over_directions() -> None:
    """Smear of 6 px: sigma is the mean over directions of sqrt(s^2 + L^2 cos^2 / 12)."""
    table = invented_edges(300, sigma_px=0.8, length_px=6.0, angle_deg=25.0)
    theta = np.linspace(0, np.pi, 180, endpoint=False)
    truth_px = float(np.sqrt(0.8**2 + 36.0 / 12.0 * np.cos(theta) ** 2).mean())

    assert fit_widths(table).mean_sigma_px == pytest.approx(truth_px, rel=0.06)


def test_block_borders_of_compression_are_no_edges() -> None:
    """A weak upright edge between columns 15 and 16 is a block border; a strong one is not."""
    table = invented_edges(3)
    columns = {n: getattr(table, n) for n in EdgeTable.__slots__}
    columns["col"] = np.array([15.5, 15.5, 12.0], np.float32)
    columns["row"] = np.array([101.0, 101.0, 101.0], np.float32)
    columns["theta"] = np.zeros(3, np.float32)
    columns["contrast"] = np.array([100.0, 3000.0, 100.0], np.float32)

    assert on_block_grid(EdgeTable(**columns), 8).tolist() == [True, False, False]
