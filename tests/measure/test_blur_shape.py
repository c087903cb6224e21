"""Length and direction of a smear, from invented edges and from a scene drawn with a known blur."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from planted_edges import COLS, ROWS, invented_edges, joined
from scipy import fft

from audit.measure.blur_shape import UNKNOWN, BlurShape, measure_blur_shape
from audit.measure.blur_spectrum import BANDS_CPP, detail_loss
from audit.measure.edges import EdgeTable
from audit.measure.noise import NoiseModel
from audit.measure.sharpness_map import measure_sharpness
from audit.measure.width_evidence import (
    CENTRES,
    DIRECTIONS,
    LOG_SIGMA,
    shifted,
    width_evidence,
)

OVER = 3
"""The scene is drawn this much finer than the sensor."""

NOISE = NoiseModel(gain_dn=0.0, floor_dn2=4.0)
CLIPPED_DN = 16000.0


def angle_off(found_deg: float, true_deg: float) -> float:
    off = abs(found_deg - true_deg) % 180.0
    return min(off, 180.0 - off)


def discs(*, seed: int = 1) -> NDArray[np.float32]:
    """Occluding discs of all sizes (a "dead leaves" scene): edges of every direction, no blur."""
    rng = np.random.default_rng(seed)
    scene = np.full((ROWS * OVER, COLS * OVER), 2000.0, np.float32)
    for _ in range(900):
        radius = OVER * 8.0 / math.sqrt(rng.uniform(0.02, 1.0))
        row, col = rng.uniform(0, scene.shape[0]), rng.uniform(0, scene.shape[1])
        top, left = max(0, int(row - radius)), max(0, int(col - radius))
        part = scene[top : int(row + radius) + 1, left : int(col + radius) + 1]
        y, x = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
        part[(y - row) ** 2 + (x - col) ** 2 < radius**2] = 2000.0 * math.exp(rng.normal(0, 0.6))
    return scene


def stripes(*, seed: int = 2) -> NDArray[np.float32]:
    """A facade: upright bands of uneven width and tone, and a few slanted ones across them."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: ROWS * OVER, : COLS * OVER].astype(np.float32)
    scene = np.full(x.shape, 2000.0, np.float32)
    for slope, bands in ((0.04, 40), (0.5, 4), (-0.9, 4)):
        borders = np.sort(rng.uniform(-500, scene.shape[1] + 500, bands))
        tones = np.exp(rng.normal(0.0, 0.5, bands + 1)).astype(np.float32)
        scene *= tones[np.searchsorted(borders, x + slope * y)]
    return np.clip(scene, 100.0, 14000.0)


def photographed(
    scene: NDArray[np.float32],
    *,
    sigma_px: float = 0.45,
    smear_px: float = 0.0,
    angle_deg: float = 0.0,
    disc_px: float = 0.0,
) -> NDArray[np.float32]:
    """Blur by the exact transfer functions, average over square pixels, add noise.

    Gaussian exp(-2 pi^2 s^2 f^2); uniform movement sinc(L f); square pixel by averaging. A disc
    of radius r is stood in for by a Gaussian of its variance, r^2 / 4 per axis.
    """
    fy = fft.fftfreq(scene.shape[0])[:, None] * OVER
    fx = fft.rfftfreq(scene.shape[1])[None, :] * OVER
    angle = math.radians(angle_deg)
    variance = sigma_px**2 + disc_px**2 / 4.0
    transfer = np.exp(-2.0 * math.pi**2 * variance * (fx**2 + fy**2))
    transfer = transfer * np.sinc(smear_px * (fx * math.cos(angle) - fy * math.sin(angle)))
    blurred = fft.irfft2(fft.rfft2(scene) * transfer, scene.shape)
    plane = blurred.reshape(ROWS, OVER, COLS, OVER).mean(axis=(1, 3))
    plane = plane + np.random.default_rng(3).normal(0.0, 2.0, plane.shape)
    samples: NDArray[np.float32] = plane.astype(np.float32)
    return samples


def shape_of(plane: NDArray[np.float32], *, green_parity: int | None = None) -> BlurShape:
    found = measure_sharpness(
        plane, black_dn=0.0, clipped_dn=CLIPPED_DN, noise=NOISE, green_parity=green_parity
    )
    return measure_blur_shape(
        plane,
        found.table,
        black_dn=0.0,
        clipped_dn=CLIPPED_DN,
        noise=NOISE,
        green_parity=green_parity,
    )


class TestDrawnScenes:
    """The whole way from pixels, against the movement that was drawn."""

    @pytest.mark.parametrize("green_parity", [None, 1])
    @pytest.mark.parametrize(("smear_px", "angle_deg"), [(4.0, 20.0), (6.0, 110.0), (9.0, 75.0)])
    def test_a_smear_is_found_with_length_and_direction(
        self, smear_px: float, angle_deg: float, green_parity: int | None
    ) -> None:
        plane = photographed(discs(), smear_px=smear_px, angle_deg=angle_deg)
        shape = shape_of(plane, green_parity=green_parity)

        assert shape.smear_px == pytest.approx(smear_px, rel=0.2)
        assert shape.smear_angle_deg is not None
        assert angle_off(shape.smear_angle_deg, angle_deg) <= 4.0
        assert (shape.smear_confidence or 0.0) > 0.8

    @pytest.mark.parametrize("blur", [{}, {"disc_px": 2.0}, {"disc_px": 3.5}])
    def test_an_even_blur_is_no_smear(self, blur: dict[str, float]) -> None:
        assert (shape_of(photographed(discs(), **blur)).smear_confidence or 0.0) < 0.4

    @pytest.mark.parametrize("disc_px", [0.0, 2.0])
    def test_parallel_lines_fake_no_smear(self, disc_px: float) -> None:
        shape = shape_of(photographed(stripes(), disc_px=disc_px))

        assert shape.smear_confidence is not None
        assert shape.smear_confidence < 0.6

    def test_a_smear_across_parallel_lines_is_found(self) -> None:
        shape = shape_of(photographed(stripes(), smear_px=6.0, angle_deg=10.0))

        assert shape.smear_angle_deg is not None
        assert angle_off(shape.smear_angle_deg, 10.0) <= 8.0
        assert (shape.smear_confidence or 0.0) > 0.6


class TestInventedEdges:
    """The width model alone, on a flat plane whose spectrum says nothing."""

    def test_edges_of_one_direction_give_no_gain(self) -> None:
        """A width that is the same for all edges there are can have any cause."""
        one_way = invented_edges(300, length_px=6.0, normals=(-0.1, 0.1))
        all_ways = invented_edges(300, length_px=6.0)

        unsure, sure = (self.shape(table).smear_confidence for table in (one_way, all_ways))

        assert unsure is not None
        assert sure is not None
        assert unsure < 0.6 < sure

    def test_a_soft_part_with_edges_of_its_own_direction_is_no_smear(self) -> None:
        """Left half: crisp, upright edges; right half: soft, level edges. No region is smeared."""
        crisp = invented_edges(150, sigma_px=0.7, normals=(-0.7, 0.7))
        soft = invented_edges(150, sigma_px=1.8, normals=(0.87, 2.27), seed=1)
        crisp.col[:] *= 0.5
        soft.col[:] = COLS / 2 + 0.5 * soft.col
        shape = self.shape(joined(crisp, soft))

        assert (shape.smear_confidence or 0.0) < 0.6

    def test_a_short_movement_has_no_direction(self) -> None:
        shape = self.shape(invented_edges(400, length_px=0.5))

        assert shape.smear_angle_deg is None

    def test_too_few_edges_tell_nothing(self) -> None:
        assert self.shape(invented_edges(10, length_px=8.0)) == UNKNOWN

    @staticmethod
    def shape(table: EdgeTable) -> BlurShape:
        plane = np.full((ROWS, COLS), 4000.0, np.float32)
        return measure_blur_shape(
            plane,
            table,
            black_dn=0.0,
            clipped_dn=CLIPPED_DN,
            noise=NoiseModel(gain_dn=0.0, floor_dn2=1.0),
            green_parity=None,
        )


class TestEvidence:
    """The table of log likelihoods and the sums along its shifted lines."""

    def test_without_a_stretch_nothing_is_shifted(self) -> None:
        evidence = width_evidence(invented_edges(200), (ROWS, COLS), regions=(1, 1), most_edges=200)
        assert evidence is not None

        assert shifted(evidence.likelihood, 0.3, 0.0) == pytest.approx(evidence.alike)

    def test_a_stretch_of_three_doubles_sigma_along_itself_only(self) -> None:
        """sqrt(1 + 3 cos^2): 2 along the movement, 1 across it."""
        likelihood = np.zeros((DIRECTIONS, LOG_SIGMA.size))
        along = int(np.abs(CENTRES - CENTRES[4]).argmin())
        across = (along + DIRECTIONS // 2) % DIRECTIONS
        likelihood[along] = np.exp(-(((LOG_SIGMA - math.log(2.0)) / 0.05) ** 2))
        likelihood[across] = np.exp(-((LOG_SIGMA / 0.05) ** 2))
        total = shifted(likelihood, float(CENTRES[along]), 3.0)

        assert LOG_SIGMA[total.argmax()] == pytest.approx(0.0, abs=0.03)
        assert total.max() > 1.8

    def test_crowded_directions_weigh_no_more_than_rare_ones(self) -> None:
        """300 edges one way and 30 across: at a width that explains none, both object alike."""
        crowd = invented_edges(300, normals=(-0.08, 0.08))
        rare = invented_edges(30, normals=(1.49, 1.65), seed=1)
        evidence = width_evidence(joined(crowd, rare), (ROWS, COLS), regions=(1, 1), most_edges=400)
        assert evidence is not None
        objection = evidence.likelihood[0, :, -1]
        of_rare = objection[np.abs(CENTRES - math.pi / 2) < 0.5].sum()

        assert of_rare == pytest.approx(objection.sum() / 2, rel=0.3)


class TestDetailLoss:
    """The spectral witness."""

    def test_detail_is_lost_along_the_movement(self) -> None:
        loss = self.loss(photographed(discs(), smear_px=5.0, angle_deg=30.0))

        assert loss(-math.radians(30.0)) > 1.0
        assert loss(-math.radians(120.0)) < 0.0

    def test_upright_lines_lose_nothing_across_themselves(self) -> None:
        """Their spectrum is one-sided at all frequencies alike."""
        assert self.loss(photographed(stripes()))(math.pi / 2) < 0.5

    def test_clipped_patches_say_nothing(self) -> None:
        plane = np.full((ROWS, COLS), CLIPPED_DN, np.float32)
        told = detail_loss(
            plane,
            invented_edges(50),
            black_dn=0.0,
            clipped_dn=CLIPPED_DN,
            noise=NOISE,
            green_parity=None,
        )

        assert told is None

    def test_the_green_lattice_holds_the_bands(self) -> None:
        """A quincunx is free of aliases up to 0.35 cycles/px in every direction: sqrt(1/8)."""
        assert BANDS_CPP[-1][1] < math.sqrt(1 / 8)

    @staticmethod
    def loss(plane: NDArray[np.float32]) -> Callable[[float], float]:
        table = measure_sharpness(
            plane, black_dn=0.0, clipped_dn=CLIPPED_DN, noise=NOISE, green_parity=None
        ).table
        told = detail_loss(
            plane, table, black_dn=0.0, clipped_dn=CLIPPED_DN, noise=NOISE, green_parity=None
        )
        assert told is not None
        return told.along
