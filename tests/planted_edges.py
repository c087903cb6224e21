"""Edge tables that are made up: what a known blur does to the width of every edge."""

import math

import numpy as np

from audit.measure.edges import EdgeTable

ROWS, COLS = 480, 640


def invented_edges(
    count: int,
    *,
    sigma_px: float = 0.8,
    length_px: float = 0.0,
    angle_deg: float = 0.0,
    normals: tuple[float, float] = (-math.pi, math.pi),
    seed: int = 0,
) -> EdgeTable:
    """Edges with the variance that a movement gives: L^2 / 12 along it (uniform distribution)."""
    rng = np.random.default_rng(seed)
    theta = rng.uniform(*normals, count)
    along = np.cos(theta + math.radians(angle_deg)) ** 2  # theta runs down, the angle up
    variance = sigma_px**2 + length_px**2 / 12.0 * along
    variance *= np.exp(rng.normal(0.0, 0.08, count))
    ones = np.ones(count, np.float32)
    return EdgeTable(
        row=rng.uniform(0, ROWS, count).astype(np.float32),
        col=rng.uniform(0, COLS, count).astype(np.float32),
        theta=theta.astype(np.float32),
        variance=variance.astype(np.float32),
        variance_sd=0.05 * ones,
        contrast=1000.0 * ones,
        level=4000.0 * ones,
        scale=np.ones(count, np.int16),
        curvature=0.0 * ones,
        misfit=0.01 * ones,
        doubt=0.04 * ones,
    )


def joined(*tables: EdgeTable) -> EdgeTable:
    names = EdgeTable.__slots__
    return EdgeTable(**{n: np.concatenate([getattr(t, n) for t in tables]) for n in names})
