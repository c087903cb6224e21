"""Single edges: place, direction and width of planted steps; what is no step gets doubts."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from planted_steps import F64, blurred_step, slanted_stripes, stripes_from
from scipy.special import ndtr

from audit.measure.edges import EdgeTable, Plane, find_edges, pyramid
from audit.measure.noise import NoiseModel

QUIET = NoiseModel(gain_dn=0.0, floor_dn2=4.0)
USABLE = 0.2
CLIPPED_DN = 16_000.0


def found(plane: Plane, *, parity: int | None = None, clipped_dn: float = CLIPPED_DN) -> EdgeTable:
    groups = find_edges(
        plane,
        black_dn=0.0,
        clipped_dn=clipped_dn,
        noise=QUIET,
        green_parity=parity,
        tiles=(4, 6),
        per_cell=6,
        enough=300,
    )
    names = EdgeTable.__slots__
    return EdgeTable(**{n: np.concatenate([getattr(g.table, n) for g in groups]) for n in names})


def usable(table: EdgeTable) -> EdgeTable:
    return table.take(table.doubt < USABLE)


def as_plane(values: F64, seed: int = 0) -> NDArray[np.float32]:
    noisy = values + np.random.default_rng(seed).normal(0.0, 2.0, values.shape)
    return np.asarray(noisy, dtype=np.float32)


@pytest.mark.parametrize("sigma_px", [0.5, 1.0, 2.2, 5.0])
def test_width_at_every_resolution(sigma_px: float) -> None:
    """Variances add: sigma^2 + 1/12 for the pixel square along any normal (exact)."""
    theta = math.radians(27.0)
    plane = stripes_from(
        lambda d: blurred_step(d, sigma_px=sigma_px, theta=theta),
        theta=theta,
        spacing_px=80.0,
        rows=420,
        cols=560,
    )

    edges = usable(found(as_plane(plane)))

    assert len(edges) > 15
    assert float(np.median(edges.variance)) == pytest.approx(sigma_px**2 + 1 / 12, rel=0.06)


def discs(radius_px: float, sigma_px: float, side_px: int = 420) -> F64:
    """Dark discs with edges of the same profile along every radius."""
    draw = np.random.default_rng(3)
    rows, cols = np.mgrid[0:side_px, 0:side_px].astype(np.float64)
    plane = np.full((side_px, side_px), 3000.0)
    spacing = int(2 * radius_px + 8 * sigma_px + 14)
    for centre_row in range(spacing // 2 + 6, side_px - spacing // 2, spacing):
        for centre_col in range(spacing // 2 + 6, side_px - spacing // 2, spacing):
            down, across = draw.uniform(-1.0, 1.0, 2)
            outward = np.hypot(rows - centre_row - down, cols - centre_col - across) - radius_px
            near = outward < 6.0 * sigma_px + 3.0
            plane[near] = 3000.0 - 2000.0 * ndtr(-outward[near] / sigma_px)
    return plane


@pytest.mark.parametrize(("radius_px", "sigma_px"), [(7.0, 0.6), (9.0, 1.0), (16.0, 1.8)])
def test_curved_edges_are_measured_across_the_curve(radius_px: float, sigma_px: float) -> None:
    """Sampled at points, so the variance is sigma^2 (exact by construction)."""
    edges = usable(found(as_plane(discs(radius_px, sigma_px))))

    assert len(edges) > 15
    assert float(np.median(edges.variance)) == pytest.approx(sigma_px**2, rel=0.02)


@pytest.mark.parametrize("parity", [None, 0, 1])
def test_normal_points_from_dark_to_bright(parity: int | None) -> None:
    """Stripes rise and fall by turns, so normals lie along theta and against it, in halves."""
    theta = math.radians(35.0)

    edges = usable(found(as_plane(slanted_stripes(sigma_px=0.7, theta=theta)), parity=parity))

    off = np.angle(np.exp(2j * (edges.theta - theta))) / 2
    assert np.abs(off).max() < 0.03
    along = np.cos(edges.theta - theta) > 0
    assert 0.2 < along.mean() < 0.8


def test_place_in_native_pixels() -> None:
    """One upright step through column 200.3: each resolution reports that column."""
    col = np.arange(420.0)
    for sigma_px in (0.6, 2.4, 4.5):
        step = blurred_step(col - 200.3, sigma_px=sigma_px, theta=0.0)
        plane = as_plane(np.tile(2000.0 + 5000.0 * step, (320, 1)))

        edges = usable(found(plane))

        assert len(edges) > 5
        assert np.abs(edges.col - 200.3).max() < 0.3
        assert float(np.median(edges.contrast)) == pytest.approx(5000.0, rel=0.03)


def test_red_and_blue_sites_are_never_read() -> None:
    """Whatever stands on the other sites, the table is the same to the last bit."""
    plane = as_plane(slanted_stripes(sigma_px=0.8, theta=0.6))
    row, col = np.indices(plane.shape)
    other = (row + col) % 2 == 0

    first = found(np.where(other, np.float32(0.0), plane), parity=1)
    second = found(np.where(other, np.float32(65_000.0), plane), parity=1)

    assert len(first) > 15
    assert np.array_equal(first.variance, second.variance)


def test_lines_are_not_edges() -> None:
    """Bright lines 3 px wide: read as steps they would be a third too sharp."""
    theta = 0.5

    def line(distance: F64) -> F64:
        return blurred_step(distance + 1.5, sigma_px=0.8, theta=theta) - blurred_step(
            distance - 1.5, sigma_px=0.8, theta=theta
        )

    row, col = np.mgrid[:320, :420].astype(np.float64)
    along = col * math.cos(theta) + row * math.sin(theta)
    plane = 2000.0 + sum(5000.0 * line(along - at) for at in range(20, 480, 40))

    assert len(usable(found(as_plane(np.asarray(plane))))) == 0


def test_texture_is_not_edges() -> None:
    """Smoothed noise, a thousandfold above the noise floor, has no isolated step."""
    rng = np.random.default_rng(5)
    spectrum = np.fft.rfft2(rng.normal(0.0, 1.0, (320, 420)))
    fy, fx = np.fft.fftfreq(320)[:, None], np.fft.rfftfreq(420)
    rough = np.fft.irfft2(spectrum * np.exp(-2 * (np.pi * 1.2) ** 2 * (fx**2 + fy**2)), (320, 420))
    plane = as_plane(4000.0 + 2000.0 * rough / rough.std())

    assert len(usable(found(plane))) < 40


def test_clipped_edges_are_dropped() -> None:
    """The same stripes with the bright side at the clipping level leave nothing."""
    plane = as_plane(slanted_stripes(sigma_px=0.8, theta=0.6))

    assert len(found(plane)) > 15
    assert len(found(plane, clipped_dn=7990.0)) == 0


def test_width_is_uncertain_where_noise_is_strong() -> None:
    """Same scene, more noise: the stated standard deviation must grow."""
    plane = slanted_stripes(sigma_px=0.8, theta=0.6)
    loud = plane + np.random.default_rng(1).normal(0.0, 120.0, plane.shape)

    calm_sd = float(np.median(found(as_plane(plane)).variance_sd))
    loud_sd = float(np.median(found(loud.astype(np.float32)).variance_sd))

    assert loud_sd > 3.0 * calm_sd


def test_half_plane_of_a_mosaic_is_the_mean_of_both_greens() -> None:
    """Green parity 1: the pair stands at (0, 1) and (1, 0) of every 2 x 2 cell."""
    plane = np.arange(64, dtype=np.uint16).reshape(8, 8)

    half = pyramid(plane, black_dn=4.0, green_parity=1)[1].plane

    assert half[0, 0] == (plane[0, 1] + plane[1, 0]) / 2 - 4.0


def test_too_small_a_plane_has_no_edges() -> None:
    assert len(found(np.full((20, 30), 1000.0, np.float32))) == 0
