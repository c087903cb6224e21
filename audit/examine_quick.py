"""A first look at one frame: a worker's job at a tenth of the cost of `audit.examine`.

The same measures, on a raw file's preview or on a JPEG at half size. Whatever is not plain (no
preview, damage, an odd kind of file) is measured in full at once, so that a first look never says
anything of its own about a file that it cannot show.
"""

import os
from pathlib import Path

import msgspec
import numpy as np

from audit.decode import FirstLook, first_look_of_jpeg, first_look_of_raw
from audit.decode.screen_picture import png
from audit.errors import FrameError
from audit.measure.developed_light import FULL_SCALE_DN, developed_light
from audit.measure.energy import energy
from audit.measure.first_look import FIRST_LOOK_EFFORT, NOISE_BLOCKS, widest_px
from audit.measure.noise import NoiseModel, fit_noise, with_code_steps
from audit.measure.orientation import viewed
from audit.measure.preview import PREVIEW_LONG_EDGE_PX, shrink, srgb_codes
from audit.measure.sharpness_map import measure_sharpness
from audit.measure.tone import tone
from audit.pictures import page_pictures
from audit.recording import (
    JPEG_BLOCK_PX,
    MeasuredPlane,
    clipping_record,
    detail_record,
    file_bytes,
)
from audit.records import ClippedShare, Clipping, Frame, Noise, Reading, Sharpness, Tone, Unread
from audit.settings import Bounds

DEVELOPED = frozenset({"jpeg", "tiff"})

NOTE = "Only a first look was taken, at {what}; a run without --quick measures it in full."


def first_look(frame: Frame, bounds: Bounds | None = None) -> Reading | Unread:
    """Take a first look at one frame; measure it in full where there is nothing to look at.

    Parameters
    ----------
    frame : Frame
    bounds : Bounds, optional
        What a file may cost; the defaults where left out.

    Returns
    -------
    Reading or Unread
        ``depth`` says which of both it is. Never an exception.
    """
    bounds = bounds or Bounds()
    try:
        seen = _opened(frame, bounds)
    except FrameError:
        seen = None
    if seen is not None:
        return _reading_of(frame, seen)
    # Loaded here only: it takes as long as two first looks.
    from audit.examine import examine

    return examine(frame, bounds)


def _opened(frame: Frame, bounds: Bounds) -> FirstLook | None:
    if frame.format == "jpeg":
        data = file_bytes(frame.path, frame.file, bounds)
        return first_look_of_jpeg(data, name=frame.file, max_pixels=bounds.largest_px)
    if frame.format in DEVELOPED or frame.size_bytes > bounds.largest_bytes:
        return None
    return first_look_of_raw(
        Path(os.fsdecode(frame.path)),
        name=frame.file,
        format=frame.format,
        max_pixels=bounds.largest_px,
    )


def _reading_of(frame: Frame, seen: FirstLook) -> Reading:
    decoded, picture = seen.decoded, seen.picture
    luminance_dn, clipping = developed_light(picture.codes, picture.curve)
    plane = MeasuredPlane(
        samples=luminance_dn,
        black_dn=0.0,
        saturation_dn=FULL_SCALE_DN,
        green_parity=None,
        block_px=JPEG_BLOCK_PX,
    )
    grain = fit_noise(
        luminance_dn,
        black_dn=0.0,
        clipped_dn=plane.clipped_dn,
        green_parity=None,
        most_blocks=NOISE_BLOCKS,
    )
    noise = with_code_steps(grain, picture.curve[0], FULL_SCALE_DN)
    sharpness = _sharpness(plane, noise, grain, seen.scale)
    orientation = decoded.exposure.orientation
    levels = shrink(luminance_dn, PREVIEW_LONG_EDGE_PX) / np.float32(FULL_SCALE_DN)
    light = tone(levels)
    shown = page_pictures(picture, sharpness, orientation, (1.0, 1.0, 1.0))
    what = "half size" if frame.format in DEVELOPED else "the preview inside the file"
    return Reading(
        file=frame.file,
        format=frame.format,
        exposure=decoded.exposure,
        facts=decoded.facts,
        sharpness=sharpness,
        clipping=_of_luma(clipping_record(clipping, "developed")),
        noise=Noise(sigma_dn=None, snr_midtone=None),
        tone=Tone(low_ev=light.low_ev, median_ev=light.median_ev, high_ev=light.high_ev),
        detail=detail_record(plane, noise, orientation),
        notes=(NOTE.format(what=what), *decoded.notes),
        pictures={
            "registration": png(viewed(srgb_codes(levels), orientation)),
            **shown.pictures,
        },
        depth="first-look",
    )


def _sharpness(
    plane: MeasuredPlane, noise: NoiseModel, grain: NoiseModel, scale: float
) -> Sharpness:
    """Bound of the edge width in native pixels, and the energy that orders frames of one scene."""
    found = measure_sharpness(
        plane.samples,
        black_dn=plane.black_dn,
        clipped_dn=plane.clipped_dn,
        noise=noise,
        green_parity=None,
        pixels_per_block=plane.block_px,
        effort=FIRST_LOOK_EFFORT,
    )
    return Sharpness(
        laplacian_variance=None,
        energy=energy(plane.samples, noise=grain, black_dn=plane.black_dn, green_parity=None),
        edge_width_px=None,
        edge_width_low_px=None,
        edge_width_high_px=widest_px(found, scale),
        mtf50_cpp=None,
        edges=found.edges,
        measurable=found.measurable,
        reason=found.reason,
    )


def _of_luma(found: Clipping) -> Clipping:
    """Luma tells where all colours are lost together; of single ones nothing is known."""

    def unknown_by_colour(share: ClippedShare) -> ClippedShare:
        return msgspec.structs.replace(share, r=None, g=None, b=None)

    return msgspec.structs.replace(
        found,
        highlight_share=unknown_by_colour(found.highlight_share),
        shadow_share=unknown_by_colour(found.shadow_share),
        headroom_ev=msgspec.structs.replace(found.headroom_ev, r=None, g=None, b=None),
        saturation_dn=None,
    )
