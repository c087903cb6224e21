"""The shadow of a speck on the glass before the sensor.

From a point of the sensor the exit pupil is seen as a cone of light of diameter ``h / N`` at the
height ``h`` of the speck (air-equivalent path through filter glass and gap). A speck smaller than
that cone takes away its share of the cone's area, so the shadow is weak and as wide as the cone;
stopped down, it is narrow and deep. What it takes away altogether, contrast times area, stays the
same. Plain geometry; diffraction at the speck is left out.
"""

import math

REFERENCE_N = 16.0
"""Aperture at which the contrast of a spot is given: where dust is looked for in practice (common
practice, no source)."""


def shadow_contrast(speck_um: float, height_um: float, aperture_n: float) -> float:
    """Share of the light that an opaque round speck takes from the middle of its shadow.

    Parameters
    ----------
    speck_um : float
        Diameter of the speck, um.
    height_um : float
        Air-equivalent distance from the sensor, um.
    aperture_n : float

    Returns
    -------
    float
        0 to 1; 1 where the speck covers the whole cone.
    """
    return min(1.0, (speck_um * aperture_n / height_um) ** 2)


def shadow_diameter_um(speck_um: float, height_um: float, aperture_n: float) -> float:
    """Diameter of a shadow at half its depth, um: of the cone or of the speck, if that is wider.

    Parameters
    ----------
    speck_um, height_um, aperture_n : float
        As for `shadow_contrast`.
    """
    return max(speck_um, height_um / aperture_n)


def relative_strength(aperture_n: float) -> float:
    """Contrast of a small speck's shadow, in units of what it has at `REFERENCE_N`.

    Parameters
    ----------
    aperture_n : float
    """
    return (aperture_n / REFERENCE_N) ** 2


def contrast_at(reference_contrast: float, aperture_n: float) -> float:
    """Contrast of a spot at an aperture, from its contrast at `REFERENCE_N`; never above 1."""
    return min(1.0, reference_contrast * relative_strength(aperture_n))


def log_loss(contrast: float) -> float:
    """Log luminance that a contrast costs; finite for a contrast of 1 too."""
    return -math.log1p(-min(contrast, 0.999))
