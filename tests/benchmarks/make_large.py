"""Writes frames of 24, 50 and 100 megapixels for the other benchmarks, half raw and half JPEG.

By hand, from the project's folder (tifffile and imagecodecs come with the extra ``bench``)::

    python tests/benchmarks/make_large.py FOLDER
    python tests/benchmarks/make_large.py FOLDER --megapixels 100 --count 4

Scenes are those of the sample trip, rendered at full size, so that anyone makes the same frames;
``--photographs`` takes a folder of photographs of one's own choice instead and lays them side by
side. Raw files are DNG with two-component lossless JPEG, as cameras write them, and hold a
full-size JPEG preview; JPEG files are 4:2:2 with Exif.

A frame of 50 megapixels takes about a minute to paint and expose; one in four is new, the others
show it shifted and under other names.
"""

import argparse
import io
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import zoom

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "sample_data"))

from maker import camera, files  # noqa: E402
from maker.scenes import MARGIN_PX, Scene, render  # noqa: E402

SIZES_PX = {24: (6000, 4000), 50: (8688, 5792), 100: (11648, 8736)}
"""Width and height of common sensors, by megapixels."""

PITCH_UM = {24: 5.97, 50: 4.14, 100: 3.76}

VARIANTS = 4
"""Frames that show one painted scene."""

SCENES = (("moor", "morning"), ("lake", "evening"), ("falls", "overcast"))
BLURS = ({"lens_sigma_px": 0.4}, {"disc_radius_px": 1.6}, {"shake_px": 4.0, "shake_angle_deg": 30})
QUALITY = 95
PREVIEW_QUALITY = 88
"""Of the preview inside a raw file: cameras compress it more (an assumption)."""

Light = NDArray[np.float32]
Samples = NDArray[np.uint16]
Picture = NDArray[np.uint8]


def painted(kind: str, mood: str, width_px: int, height_px: int) -> Light:
    """Linear light of a scene of the sample trip, with its margin."""
    scene = Scene(
        kind=kind,
        seed=5,
        mood=mood,
        width_px=width_px,
        height_px=height_px,
        scale=1,  # type: ignore[arg-type]
    )
    return render(scene).pixels


def tiled(photograph: Path, width_px: int, height_px: int) -> Light:
    """Linear light of a photograph, laid side by side until the frame is full."""
    codes = np.asarray(Image.open(photograph).convert("RGB"), np.float32) / 255
    linear = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    rows, cols = height_px + 2 * MARGIN_PX, width_px + 2 * MARGIN_PX
    times = (-(-rows // linear.shape[0]), -(-cols // linear.shape[1]), 1)
    return np.tile(linear.astype(np.float32), times)[:rows, :cols]


def exposed(light: Light, blur: camera.Blur, seed: int) -> Samples:
    """What the sensor records of it."""
    sharp = camera.through_lens(light, 1, blur)[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
    return camera.expose(sharp, 100, np.random.default_rng(seed))


def settings_of(number: int, megapixels: int) -> files.Settings:
    """What the camera writes beside frame `number`."""
    return files.Settings(
        make="Example",
        model=f"Large {megapixels}",
        body_serial="0001",
        lens="Example 35 mm",
        shutter_s=Fraction(1, 60),
        aperture_n=8.0,
        iso=100,
        focal_mm=35.0,
        pitch_um=PITCH_UM[megapixels],
        taken_at=datetime(2031, 5, 14, 6, 0) + timedelta(minutes=3 * number),
        subsec="00",
    )


def encoded(picture: Picture, quality: int, exif: bytes = b"") -> bytes:
    """JPEG as a camera writes it: 4:2:2, standard tables."""
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=quality, subsampling="4:2:2", exif=exif)
    return out.getvalue()


def jpeg_bytes(picture: Picture, settings: files.Settings) -> bytes:
    """JPEG file with Exif."""
    height, width = picture.shape[:2]
    exif = files.tiff(files.main_entries(settings), files.exif_entries(settings, width, height))
    return encoded(picture, QUALITY, b"Exif\0\0" + exif)


def write_dng(path: Path, samples: Samples, picture: Picture, settings: files.Settings) -> None:
    """Raw file: thumbnail, mosaic in lossless JPEG, full-size preview (TIFF/EP, DNG 1.4)."""
    rows, cols = samples.shape
    # Two columns of the mosaic are two components, so that each is predicted from its own colour.
    mosaic = imagecodecs.jpeg_encode(
        samples.reshape(rows, cols // 2, 2), lossless=True, bitspersample=16
    )
    preview = encoded(picture, PREVIEW_QUALITY)
    small = zoom(picture[:: rows // 160, :: rows // 160], (1, 1, 1), order=0)
    taken = settings.taken_at.strftime("%Y:%m:%d %H:%M:%S")
    head = [
        (271, "s", 0, settings.make, True),
        (272, "s", 0, settings.model, True),
        (274, "H", 1, 1, True),
        (306, "s", 0, taken, True),
        (33434, "2I", 1, (settings.shutter_s.numerator, settings.shutter_s.denominator), True),
        (33437, "2I", 1, (round(10 * settings.aperture_n), 10), True),
        (34855, "H", 1, settings.iso, True),
        (36867, "s", 0, taken, True),
        (37386, "2I", 1, (round(10 * settings.focal_mm), 10), True),
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50707, "B", 4, (1, 1, 0, 0), True),
        (50708, "s", 0, f"{settings.make} {settings.model}", True),
        (50721, "2i", 9, _ratios(files.XYZ_TO_SRGB), True),
        (50728, "2I", 3, _ratios(1 / gain for gain in camera.WHITE_BALANCE), True),
        (50778, "H", 1, 21, True),
    ]
    sensor = [
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, (0, 1, 1, 2), True),
        (50710, "B", 3, (0, 1, 2), True),
        (50711, "H", 1, 1, True),
        (50714, "H", 1, camera.BLACK_DN, True),
        (50717, "I", 1, camera.WHITE_DN, True),
    ]
    with tifffile.TiffWriter(path) as file:
        file.write(
            small, photometric="rgb", subfiletype=1, subifds=2, extratags=head, metadata=None
        )
        file.write(
            iter([mosaic]),
            shape=samples.shape,
            dtype=samples.dtype,
            photometric="cfa",
            compression=7,
            rowsperstrip=rows,
            subfiletype=0,
            extratags=sensor,
            metadata=None,
        )
        file.write(
            iter([preview]),
            shape=picture.shape,
            dtype=picture.dtype,
            photometric="ycbcr",
            subsampling=(2, 1),
            compression=7,
            rowsperstrip=rows,
            subfiletype=1,
            metadata=None,
        )


def _ratios(values: "Iterator[float] | tuple[float, ...]") -> tuple[int, ...]:
    return tuple(part for value in values for part in (round(10_000 * value), 10_000))


def frames(
    megapixels: int, count: int, photographs: list[Path]
) -> Iterator[tuple[int, Samples, Picture]]:
    """Number, mosaic and developed picture of each frame."""
    width_px, height_px = SIZES_PX[megapixels]
    for number in range(count):
        new, variant = divmod(number, VARIANTS)
        if variant == 0:
            print(f"painting scene {new + 1} of {-(-count // VARIANTS)}", flush=True)
            if photographs:
                light = tiled(photographs[new % len(photographs)], width_px, height_px)
            else:
                light = painted(*SCENES[new % len(SCENES)], width_px, height_px)
            blur = camera.Blur(
                aperture_n=8, pitch_um=PITCH_UM[megapixels], **BLURS[new % len(BLURS)]
            )
            samples = exposed(light, blur, number)
            picture = camera.develop(samples)
        by = (variant * 358, variant * 614)
        yield number, np.roll(samples, by, (0, 1)), np.roll(picture, by, (0, 1))


def main() -> None:
    """Write the frames."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--megapixels", type=int, choices=SIZES_PX, default=50)
    parser.add_argument("--count", type=int, default=24, help="frames, half raw and half JPEG")
    parser.add_argument("--photographs", type=Path, help="folder of JPEG or PNG photographs")
    given = parser.parse_args()
    kinds = (".jpg", ".jpeg", ".png")
    photographs = (
        sorted(path for path in given.photographs.iterdir() if path.suffix.lower() in kinds)
        if given.photographs
        else []
    )
    given.folder.mkdir(parents=True, exist_ok=True)
    for number, samples, picture in frames(given.megapixels, given.count, photographs):
        settings = settings_of(number, given.megapixels)
        path = given.folder / f"L{given.megapixels}_{number:04}"
        if number % 2 == 0:
            write_dng(path.with_suffix(".dng"), samples, picture, settings)
        else:
            path.with_suffix(".jpg").write_bytes(jpeg_bytes(picture, settings))
        print(f"{path.name}", flush=True)


if __name__ == "__main__":
    main()
