"""A part that moved while the rest stood still, from invented edges."""

import numpy as np
import pytest
from planted_edges import COLS, ROWS, invented_edges, joined

from audit.measure.edges import EdgeTable
from audit.measure.local_motion import MIN_REGIONS, local_motion

SHAPE = (ROWS, COLS)


def placed(table: EdgeTable, rows: tuple[float, float], cols: tuple[float, float]) -> EdgeTable:
    """The edges pushed together into a part of the frame (shares of its sides)."""
    table.row[:] = ROWS * (rows[0] + (rows[1] - rows[0]) * table.row / ROWS)
    table.col[:] = COLS * (cols[0] + (cols[1] - cols[0]) * table.col / COLS)
    return table


def test_a_smeared_part_is_found_with_its_direction() -> None:
    still = placed(invented_edges(900), (0.0, 0.75), (0.0, 1.0))
    moved = placed(invented_edges(300, length_px=8.0, angle_deg=90.0, seed=1), (0.75, 1), (0, 1))
    found = local_motion(joined(still, moved), SHAPE)

    assert found is not None
    assert found.share == pytest.approx(6 / 24)
    assert found.length_px == pytest.approx(8.0, rel=0.3)
    assert found.angle_deg == pytest.approx(90.0, abs=15.0)


def test_a_part_out_of_focus_did_not_move() -> None:
    """As soft as the movement makes it along itself, but in all directions."""
    still = placed(invented_edges(900), (0.0, 0.75), (0.0, 1.0))
    soft = placed(invented_edges(300, sigma_px=2.4, seed=1), (0.75, 1.0), (0.0, 1.0))
    found = local_motion(joined(still, soft), SHAPE)

    assert found is not None
    assert found.share == 0.0
    assert found.length_px is None


def test_a_sharp_frame_has_no_such_part() -> None:
    found = local_motion(invented_edges(1200), SHAPE)

    assert found is not None
    assert found.share == 0.0


def test_edges_in_too_few_regions_cannot_tell() -> None:
    corner = placed(invented_edges(300), (0.0, 0.2), (0.0, 0.15 * (MIN_REGIONS - 2)))

    assert local_motion(corner, SHAPE) is None
    assert local_motion(corner.take(np.arange(5)), SHAPE) is None
