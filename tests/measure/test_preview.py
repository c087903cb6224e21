"""Small pictures keep their means and their place."""

import numpy as np
import pytest

from audit.measure.preview import block_means, shrink, srgb_codes


def test_block_means_are_means() -> None:
    plane = np.arange(24, dtype=np.float32).reshape(4, 6)

    assert block_means(plane, 2).tolist() == [[3.5, 5.5, 7.5], [15.5, 17.5, 19.5]]


@pytest.mark.parametrize("shape", [(400, 600), (601, 400), (333, 1000)])
def test_shrinking_keeps_the_mean_and_the_long_edge(shape: tuple[int, int]) -> None:
    plane = np.random.default_rng(1).uniform(0, 1000, shape).astype(np.float32)

    small = shrink(plane, 128)

    assert max(small.shape) == 128
    assert small.mean() == pytest.approx(plane.mean(), rel=0.01)


def test_a_step_stays_at_its_place() -> None:
    plane = np.zeros((300, 900), dtype=np.float32)
    plane[:, 450:] = 1.0

    small = shrink(plane, 256)

    assert small[:, :127].max() == pytest.approx(0.0, abs=1e-6)
    assert small[:, 129:].min() == pytest.approx(1.0, abs=1e-6)


def test_a_small_plane_is_not_enlarged() -> None:
    plane = np.ones((30, 40), dtype=np.float32)

    assert shrink(plane, 256).shape == (30, 40)


@pytest.mark.parametrize(
    ("linear", "code"), [(0.0, 0), (0.18, 118), (0.5, 188), (0.9, 243), (1.0, 255), (2.0, 255)]
)
def test_srgb_codes_follow_the_standard(linear: float, code: int) -> None:
    """IEC 61966-2-1: 0.18 is 117.65, 0.5 is 187.52, 0.9 is 243.45 of 255."""
    assert srgb_codes(np.array([[linear]], dtype=np.float32))[0, 0] == code
