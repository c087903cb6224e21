"""The shadow of a speck, against plain geometry."""

import math

import numpy as np
import pytest

from audit.optics.dust import (
    contrast_at,
    log_loss,
    relative_strength,
    shadow_contrast,
    shadow_diameter_um,
)


@pytest.mark.parametrize("aperture_n", [5.6, 8.0, 16.0])
def test_a_speck_takes_its_share_of_the_cone_of_light(aperture_n: float) -> None:
    """Rays counted one by one: those from the pupil to one point of the sensor that it stops."""
    speck_um, height_um = 40.0, 1500.0
    draw = np.random.default_rng(1)
    cone_um = height_um / aperture_n
    radius_um = cone_um / 2 * np.sqrt(draw.random(400_000))

    stopped = float((radius_um < speck_um / 2).mean())

    assert shadow_contrast(speck_um, height_um, aperture_n) == pytest.approx(stopped, abs=0.002)


def test_light_taken_altogether_is_the_same_at_every_aperture() -> None:
    """Contrast times area is the speck's own area, as long as it is smaller than the cone."""
    taken = [
        shadow_contrast(30.0, 2000.0, n) * math.pi / 4 * shadow_diameter_um(30.0, 2000.0, n) ** 2
        for n in (4.0, 8.0, 16.0, 22.0)
    ]

    assert taken == pytest.approx([math.pi / 4 * 30.0**2] * 4)


def test_a_speck_wider_than_the_cone_takes_all_light() -> None:
    assert shadow_contrast(200.0, 1500.0, 16.0) == 1.0
    assert shadow_diameter_um(200.0, 1500.0, 16.0) == 200.0


def test_strength_is_one_at_f16_and_a_quarter_two_stops_wider() -> None:
    """Two stops halve the f-number."""
    assert relative_strength(16.0) == 1.0
    assert relative_strength(8.0) == pytest.approx(0.25)
    assert contrast_at(0.2, 8.0) == pytest.approx(0.05)


def test_the_log_of_what_is_left_is_what_was_lost() -> None:
    assert math.exp(-log_loss(0.3)) == pytest.approx(0.7)
