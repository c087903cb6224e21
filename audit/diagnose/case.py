"""What every rule looks at: one reading with the physics that belongs to it."""

import math
from dataclasses import dataclass
from functools import lru_cache

from audit.diagnose.kinds import KINDS
from audit.optics.blur import rise_from_sigma_px
from audit.optics.diffraction import ceiling_edge_width_px, ceiling_mtf50_cpp
from audit.optics.printing import print_edge_width_px, print_long_cm
from audit.optics.shake import handheld_shutter_s
from audit.records import Finding, FindingCode, Reading, Sensor, Severity
from audit.settings import PrintSize, Settings

DEMOSAIC_SIGMA_PX = 0.5
"""Blur that demosaic adds to a developed file: 0.25 px^2 (measured; docs/methods/sharpness.md)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One frame before the rules.

    Attributes
    ----------
    reading : Reading
    sensor : Sensor
    settings : Settings
    """

    reading: Reading
    sensor: Sensor
    settings: Settings

    @property
    def long_px(self) -> int:
        """Pixels along the long side."""
        return max(self.sensor.width_px, self.sensor.height_px)

    @property
    def short_px(self) -> int:
        """Pixels along the short side."""
        return min(self.sensor.width_px, self.sensor.height_px)

    @property
    def target(self) -> PrintSize:
        """The print asked for: chosen, or a share of what a fully sharp frame would give."""
        if self.settings.print_size is not None:
            return self.settings.print_size
        fully_sharp = self.settings.limits.fully_sharp_px
        full_cm = print_long_cm(self.long_px, self.settings.viewing_cm, fully_sharp, fully_sharp)
        long_cm = self.settings.limits.keeper_share * full_cm
        return PrintSize(long_cm, long_cm * self.short_px / self.long_px)

    @property
    def needed_px(self) -> float | None:
        """Widest edge that holds at the target print; ``None``: the pixels are too few for it."""
        return print_edge_width_px(
            self.long_px,
            self.settings.viewing_cm,
            self.target.long_cm,
            self.settings.limits.fully_sharp_px,
        )

    @property
    def ceiling_mtf50_cpp(self) -> float | None:
        """MTF50 of a perfect lens at this aperture on these pixels."""
        aperture_n, pitch_um = self.reading.exposure.aperture_n, self.sensor.pitch_um
        if aperture_n is None or pitch_um is None:
            return None
        return _ceiling_mtf50_cpp(aperture_n, pitch_um)

    @property
    def physical_px(self) -> float | None:
        """Narrowest edge that physics allows at this aperture; ``None`` where it is unknown."""
        aperture_n, pitch_um = self.reading.exposure.aperture_n, self.sensor.pitch_um
        if aperture_n is None or pitch_um is None:
            return None
        return self.as_filed_px(_ceiling_edge_width_px(aperture_n, pitch_um))

    @property
    def expected_px(self) -> float:
        """Edge width of a faultless frame: physics where it is known, else a fully sharp frame."""
        return self.physical_px or self.as_filed_px(self.settings.limits.fully_sharp_px)

    @property
    def handheld_s(self) -> float | None:
        """Longest time that a hand holds for these pixels and this lens."""
        focal_mm, pitch_um = self.reading.exposure.focal_mm, self.sensor.pitch_um
        if focal_mm is None or pitch_um is None:
            return None
        limits = self.settings.limits
        return handheld_shutter_s(
            focal_mm, pitch_um, limits.handheld_blur_px, limits.hold_rate_deg_s
        )

    @property
    def is_smeared(self) -> bool:
        """Whether a smear was measured that is long and sure enough to be named."""
        sharpness, limits = self.reading.sharpness, self.settings.limits
        return (
            sharpness.smear_px is not None
            and sharpness.smear_px >= limits.smear_px
            and (sharpness.smear_confidence or 0.0) >= limits.smear_confidence
        )

    def as_filed_px(self, edge_width_px: float) -> float:
        """Edge width that an optical edge has in the file: demosaic added for developed files."""
        if self.sensor.basis == "raw":
            return edge_width_px
        return math.hypot(edge_width_px, rise_from_sigma_px(DEMOSAIC_SIGMA_PX))

    def severity_of_width(self, edge_width_px: float) -> Severity:
        """How bad an edge width is for the target print."""
        held = print_long_cm(
            self.long_px,
            self.settings.viewing_cm,
            edge_width_px,
            self.settings.limits.fully_sharp_px,
        )
        if held >= self.target.long_cm:
            return "note"
        if held >= self.settings.limits.look_again_share * self.target.long_cm:
            return "warn"
        return "fault"


def finding(
    code: FindingCode,
    severity: Severity,
    value: float | None,
    limit: float | None,
    *,
    confidence: float,
    message: str,
    advice: str,
    excused_by: str | None = None,
) -> Finding:
    """Make a finding with the unit that its kind declares."""
    return Finding(
        kind=code,
        severity=severity,
        value=value,
        limit=limit,
        unit=KINDS[code].unit,
        confidence=confidence,
        message=message,
        advice=advice,
        excused_by=excused_by,
    )


# A trip repeats a handful of apertures on one or two bodies.
_ceiling_mtf50_cpp = lru_cache(maxsize=256)(ceiling_mtf50_cpp)
_ceiling_edge_width_px = lru_cache(maxsize=256)(ceiling_edge_width_px)
