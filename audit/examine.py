"""One frame in, one reading out: the whole job of a worker process.

The file is read once, into memory; everything else works on those bytes. Pixels never leave this
module: a reading is numbers and one small picture.
"""

import hashlib
from collections.abc import Iterator

import msgspec
import numpy as np
from numpy.typing import NDArray

from audit.decode import Decoded, Developed, Mosaic, open_frame, read_metadata
from audit.decode.screen_picture import png
from audit.errors import FrameError
from audit.integrity import refuse_damaged
from audit.measure.blur_shape import measure_blur_shape
from audit.measure.clipping import (
    CLIPPED_SHARE_OF_RANGE,
    ClippingResult,
    clipping_of_mosaic,
    signal_floor_dn,
)
from audit.measure.developed_light import FULL_SCALE_DN, developed_light
from audit.measure.dust_view import VIEW_LONG_EDGE_PX, dust_view
from audit.measure.energy import energy, laplacian_variance
from audit.measure.field_slope import field_slope
from audit.measure.local_motion import local_motion
from audit.measure.noise import MIDTONE, NoiseModel, fit_noise, with_code_steps
from audit.measure.orientation import viewed, viewed_angle_deg, viewed_tile
from audit.measure.preview import PREVIEW_LONG_EDGE_PX, shrink, srgb_codes
from audit.measure.sharpness_map import SharpnessResult, measure_sharpness
from audit.measure.tone import tone
from audit.pictures import page_pictures
from audit.recording import (
    JPEG_BLOCK_PX,
    MeasuredPlane,
    clipping_record,
    detail_record,
    file_bytes,
)
from audit.records import (
    Exposure,
    Frame,
    Noise,
    Reading,
    Sharpness,
    SharpnessMap,
    Tone,
    Unread,
)
from audit.settings import Bounds

GREEN = 1
"""Code of green in a colour filter pattern."""

RUN_LENGTHS = 3
"""zlib's strategy for pictures of few values and many zeros: smaller and faster (measured)."""


def examine(frame: Frame, bounds: Bounds | None = None) -> Reading | Unread:
    """Decode and measure one frame; a bad file gives an `Unread`, never an exception.

    Parameters
    ----------
    frame : Frame
    bounds : Bounds, optional
        What a file may cost; the defaults where left out.

    Returns
    -------
    Reading or Unread
        The reading of the main file, or of its first readable companion with a note that says so.
    """
    bounds = bounds or Bounds()
    failures: list[Unread] = []
    for path, name, kind in _sources(frame):
        data = b""
        try:
            data = file_bytes(path, name, bounds)
            reading = _measured(data, name, kind, bounds)
        except FrameError as error:
            failures.append(_unread(error, data, kind))
            continue
        if failures:
            note = (
                f"{frame.file} could not be read ({failures[0].message}); "
                f"its twin {name} was measured instead"
            )
            reading = msgspec.structs.replace(reading, notes=(*reading.notes, note))
        return reading
    return failures[0]


def _unread(error: FrameError, data: bytes, kind: str) -> Unread:
    """What is known of a file that cannot be measured: why not, and what the camera wrote."""
    exposure = read_metadata(data, format=kind).exposure
    return Unread(
        state=error.state,
        code=error.code,
        message=str(error),
        exposure=None if exposure == Exposure() else exposure,
        lost_share=error.lost_share,
    )


def _sources(frame: Frame) -> Iterator[tuple[bytes, str, str]]:
    """The frame's files in the order in which they are tried: path, name, format."""
    yield frame.path, frame.file, frame.format
    for path, name in zip(frame.companion_paths, frame.companions, strict=True):
        yield path, name, "jpeg"


def _measured(data: bytes, name: str, kind: str, bounds: Bounds) -> Reading:
    decoded = open_frame(data, name=name, format=kind, max_pixels=bounds.largest_px)
    refuse_damaged(decoded, data, name=name, format=kind)
    if isinstance(decoded.pixels, Mosaic):
        return _of_mosaic(decoded, decoded.pixels, data, name, kind)
    return _of_developed(decoded, decoded.pixels, data, name, kind)


def _of_mosaic(decoded: Decoded, mosaic: Mosaic, data: bytes, name: str, kind: str) -> Reading:
    """Measure a raw file on its green sites, where they are."""
    is_green = mosaic.pattern == GREEN
    black_dn = float(mosaic.black_dn[is_green].mean())
    white_dn = float(mosaic.white_dn[is_green].min())
    noise = None
    if mosaic.is_bayer or mosaic.pattern.size == 1:
        noise = fit_noise(
            mosaic.samples,
            black_dn=black_dn,
            clipped_dn=black_dn + CLIPPED_SHARE_OF_RANGE * (white_dn - black_dn),
            green_parity=mosaic.green_parity,
        )
    floor_dn = None if noise is None else signal_floor_dn(noise.gain_dn, noise.floor_dn2)
    clipping = clipping_of_mosaic(
        mosaic.samples, mosaic.pattern, mosaic.black_dn, mosaic.white_dn, (floor_dn,) * 3
    )
    plane = MeasuredPlane(
        samples=mosaic.samples,
        black_dn=black_dn,
        saturation_dn=clipping.saturation_dn[GREEN] or white_dn - black_dn,
        green_parity=mosaic.green_parity,
    )
    if noise is None:
        sharpness = _not_measured("edges are not measured on this colour filter pattern")
    else:
        sharpness = _sharpness(plane, noise, noise, decoded.exposure.orientation)
    row, col = np.argwhere(is_green)[0]
    step_rows, step_cols = mosaic.pattern.shape
    coarse = shrink(mosaic.samples[row::step_rows, col::step_cols], VIEW_LONG_EDGE_PX)
    return _assemble(decoded, data, name, kind, plane, noise, clipping, sharpness, coarse)


def _of_developed(
    decoded: Decoded, picture: Developed, data: bytes, name: str, kind: str
) -> Reading:
    """Measure a developed file on its linear luma."""
    luminance_dn, clipping = developed_light(picture.codes, picture.curve)
    plane = MeasuredPlane(
        samples=luminance_dn,
        black_dn=0.0,
        saturation_dn=FULL_SCALE_DN,
        green_parity=None,
        block_px=JPEG_BLOCK_PX if kind == "jpeg" else None,
    )
    grain = fit_noise(luminance_dn, black_dn=0.0, clipped_dn=plane.clipped_dn, green_parity=None)
    noise = with_code_steps(grain, picture.curve[0], FULL_SCALE_DN)
    sharpness = _sharpness(plane, noise, grain, decoded.exposure.orientation)
    coarse = shrink(luminance_dn, VIEW_LONG_EDGE_PX)
    return _assemble(decoded, data, name, kind, plane, noise, clipping, sharpness, coarse)


def _assemble(
    decoded: Decoded,
    data: bytes,
    name: str,
    kind: str,
    plane: MeasuredPlane,
    noise: NoiseModel | None,
    clipping: ClippingResult,
    sharpness: Sharpness,
    coarse: NDArray[np.float32],
) -> Reading:
    """Put the figures of one file into its reading."""
    view = (coarse - np.float32(plane.black_dn)) / np.float32(plane.saturation_dn)
    levels = shrink(view, PREVIEW_LONG_EDGE_PX)
    light = tone(levels)
    shown = page_pictures(
        decoded.pixels, sharpness, decoded.exposure.orientation, clipping.saturation_dn
    )
    return Reading(
        file=name,
        format=kind,
        exposure=decoded.exposure,
        facts=decoded.facts,
        sharpness=sharpness,
        clipping=clipping_record(clipping, decoded.facts.basis),
        noise=_noise(noise, plane.saturation_dn),
        tone=Tone(low_ev=light.low_ev, median_ev=light.median_ev, high_ev=light.high_ev),
        detail=None if noise is None else detail_record(plane, noise, decoded.exposure.orientation),
        notes=decoded.notes,
        histogram=shown.histogram,
        sharpest=shown.sharpest,
        softest=shown.softest,
        pictures={
            "registration": png(viewed(srgb_codes(levels), decoded.exposure.orientation)),
            "sensor": png(dust_view(view), RUN_LENGTHS),
            **shown.pictures,
        },
        content_hash=hashlib.sha256(data).hexdigest(),
    )


def _sharpness(
    plane: MeasuredPlane, noise: NoiseModel, grain: NoiseModel, orientation: int
) -> Sharpness:
    """All sharpness figures of one plane, turned to viewed orientation.

    ``noise`` is the doubt of one sample, rounding to codes included; ``grain`` the part of it that
    is there between any two samples, which is what energy measures must take off.
    """
    found = measure_sharpness(
        plane.samples,
        black_dn=plane.black_dn,
        clipped_dn=plane.clipped_dn,
        noise=noise,
        green_parity=plane.green_parity,
        pixels_per_block=plane.block_px,
    )
    shape = (found.map.rows, found.map.cols)
    blur = measure_blur_shape(
        plane.samples,
        found.table,
        black_dn=plane.black_dn,
        clipped_dn=plane.clipped_dn,
        noise=noise,
        green_parity=plane.green_parity,
    )
    moved = local_motion(found.table, plane.samples.shape)
    slope = field_slope(found.map.edge_width_px)
    return Sharpness(
        laplacian_variance=laplacian_variance(
            plane.samples, noise=grain, black_dn=plane.black_dn, green_parity=plane.green_parity
        )
        / plane.saturation_dn**2,
        energy=energy(
            plane.samples, noise=grain, black_dn=plane.black_dn, green_parity=plane.green_parity
        ),
        edge_width_px=found.edge_width_px,
        edge_width_low_px=found.edge_width_low_px,
        edge_width_high_px=found.edge_width_high_px,
        mtf50_cpp=found.mtf50_cpp,
        mtf50_low_cpp=found.mtf50_low_cpp,
        mtf50_high_cpp=found.mtf50_high_cpp,
        edges=found.edges,
        measurable=found.measurable,
        reason=found.reason,
        best_tile=None
        if found.best_tile is None
        else viewed_tile(found.best_tile, shape, orientation),
        map=_viewed_map(found, orientation),
        smear_px=blur.smear_px,
        smear_angle_deg=None
        if blur.smear_angle_deg is None
        else viewed_angle_deg(blur.smear_angle_deg, orientation),
        smear_confidence=blur.smear_confidence,
        moved_share=None if moved is None else moved.share,
        moved_px=None if moved is None else moved.length_px,
        moved_angle_deg=None
        if moved is None or moved.angle_deg is None
        else viewed_angle_deg(moved.angle_deg, orientation),
        moved_confidence=None if moved is None else moved.confidence,
        softer_right=slope.right,
        softer_down=slope.down,
    )


def _not_measured(reason: str) -> Sharpness:
    return Sharpness(
        laplacian_variance=None,
        energy=None,
        edge_width_px=None,
        edge_width_low_px=None,
        edge_width_high_px=None,
        mtf50_cpp=None,
        edges=0,
        measurable=False,
        reason=reason,
    )


def _viewed_map(found: SharpnessResult, orientation: int) -> SharpnessMap:
    turned = viewed(found.map.edge_width_px, orientation)
    return SharpnessMap(
        rows=turned.shape[0],
        cols=turned.shape[1],
        edge_width_px=tuple(
            tuple(None if np.isnan(width) else round(float(width), 2) for width in row)
            for row in turned
        ),
    )


def _noise(noise: NoiseModel | None, saturation_dn: float) -> Noise:
    if noise is None:
        return Noise(sigma_dn=None, snr_midtone=None)
    level_dn = MIDTONE * saturation_dn
    sigma_dn = float(noise.sigma_dn(level_dn))
    return Noise(
        sigma_dn=sigma_dn,
        snr_midtone=level_dn / sigma_dn if sigma_dn > 0 else None,
        read_dn=float(noise.sigma_dn(0.0)),
        gain_dn=noise.gain_dn,
    )
