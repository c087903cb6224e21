"""Sums over blocks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.measure import blocks


@given(st.integers(1, 9), st.integers(1, 40), st.integers(1, 40), st.booleans())
def test_sums_are_those_of_a_reshaped_plane(step: int, rows: int, cols: int, whole: bool) -> None:
    plane = np.random.default_rng(rows * 41 + cols).integers(0, 65536, (rows, 2 * cols))[:, ::2]
    plane = plane.astype(np.uint16 if whole else np.float32)

    found = blocks.block_sums(plane, step)

    high, wide = rows // step, cols // step
    cut = plane[: high * step, : wide * step].astype(np.int64).reshape(high, step, wide, step)
    np.testing.assert_array_equal(found, cut.sum(axis=(1, 3)))


def test_bands_leave_no_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    plane = np.random.default_rng(1).integers(0, 65536, (97, 33)).astype(np.uint16)
    whole = blocks.block_sums(plane, 4)

    monkeypatch.setattr(blocks, "BAND_SAMPLES", 400)

    np.testing.assert_array_equal(blocks.block_sums(plane, 4), whole)
