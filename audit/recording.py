"""What full measuring and a first look share: the plane, and figures as the record keeps them."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from audit.errors import TooLargeFrame, UnreadableFrame
from audit.measure.clipping import CLIPPED_SHARE_OF_RANGE, ClippingResult
from audit.measure.detail_map import measure_detail
from audit.measure.noise import NoiseModel
from audit.measure.orientation import viewed
from audit.records import Basis, ClippedShare, Clipping, DetailMap, PerColour
from audit.settings import Bounds

JPEG_BLOCK_PX = 8
"""Side of the blocks of JPEG (ITU-T T.81)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredPlane:
    """The one plane on which sharpness and noise are measured."""

    samples: NDArray[np.uint16] | NDArray[np.float32]
    black_dn: float
    saturation_dn: float
    """Above black."""
    green_parity: int | None
    """Which sites are green, or ``None`` where every sample counts."""
    block_px: int | None = None
    """Side of the compression's blocks, whose borders draw false edges."""

    @property
    def clipped_dn(self) -> float:
        """Code from which a sample is clipped."""
        return self.black_dn + CLIPPED_SHARE_OF_RANGE * self.saturation_dn


def file_bytes(path: bytes, name: str, bounds: Bounds) -> bytes:
    """Read a whole file.

    Raises
    ------
    TooLargeFrame, UnreadableFrame
        If it is larger than a file may be, or cannot be read.
    """
    try:
        file = Path(os.fsdecode(path))
        size = file.stat().st_size
        if size > bounds.largest_bytes:
            raise TooLargeFrame(
                f"{name}: expected at most {bounds.largest_gb:g} GB, found {size / 1e9:.1f} GB"
            )
        return file.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UnreadableFrame(f"{name}: expected a readable file, found: {reason}") from error


def detail_record(plane: MeasuredPlane, noise: NoiseModel, orientation: int) -> DetailMap | None:
    """Energy of fine detail per tile, turned to viewed orientation."""
    found = measure_detail(
        plane.samples,
        black_dn=plane.black_dn,
        saturation_dn=plane.saturation_dn,
        clipped_dn=plane.clipped_dn,
        noise=noise,
        green_parity=plane.green_parity,
    )
    if found is None:
        return None
    turned = viewed(found.log2_energy, orientation)
    return DetailMap(
        rows=turned.shape[0],
        cols=turned.shape[1],
        log2_energy=tuple(
            tuple(None if np.isnan(value) else round(float(value), 2) for value in row)
            for row in turned
        ),
        log2_floor=round(float(np.median(found.log2_floor)), 2),
        coarser=_packed([viewed(each, orientation) for each in found.log2_coarser]),
    )


def _packed(maps: Sequence[NDArray[np.float32]]) -> bytes:
    """Maps of log2 as the record keeps them."""
    hundredths = np.nan_to_num(np.rint(100 * np.stack(maps)), nan=np.iinfo(np.int16).min)
    return hundredths.astype("<i2").tobytes()


def clipping_record(found: ClippingResult, basis: Basis) -> Clipping:
    """What is lost at both ends, as the record keeps it."""
    return Clipping(
        highlight_share=_clipped_share(
            found.highlight_share, found.highlight_any, found.highlight_all
        ),
        shadow_share=_clipped_share(found.shadow_share, found.shadow_any, found.shadow_all),
        headroom_ev=PerColour(**dict(zip("rgb", found.headroom_ev, strict=True))),
        saturation_dn=PerColour(**dict(zip("rgb", found.saturation_dn, strict=True))),
        basis=basis,
    )


def _clipped_share(
    by_colour: tuple[float | None, ...], in_any: float, in_all: float
) -> ClippedShare:
    red, green, blue = by_colour
    return ClippedShare(r=red, g=green, b=blue, any=in_any, all=in_all)
