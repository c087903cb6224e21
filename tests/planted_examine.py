"""Stands for measuring in the tests of `run`: files say themselves what shall become of them.

Loaded by real worker processes. After its two bytes of JPEG signature and one more, a file holds
words: ``sharp 0.3``, ``scene 7 0.2``, ``damaged``, ``crash``, ``wait``, ``once MARKER``
(waits the first time), ``unjudgeable``.
"""

import os
import time
from pathlib import Path

import imageio.v3 as imageio
import msgspec

from audit.records import (
    ClippedShare,
    Clipping,
    Exposure,
    Frame,
    Noise,
    PerColour,
    Reading,
    SensorFacts,
    Sharpness,
    Tone,
    Unread,
)
from audit.settings import Bounds

LOG = "PLANTED_EXAMINE_LOG"
"""Environment variable: where each call leaves the name of its file."""

HEAD = b"\xff\xd8\xff"
NONE_LOST = ClippedShare(r=0.0, g=0.0, b=0.0, any=0.0, all=0.0)


def load() -> None:
    """Nothing to load."""


def examine(frame: Frame, bounds: Bounds) -> Reading | Unread:  # noqa: ARG001  # as the real one
    """Do what the file says; a log remembers each call."""
    path = Path(os.fsdecode(frame.path))
    word, _, rest = path.read_bytes().removeprefix(HEAD).decode().partition(" ")
    with Path(os.environ[LOG]).open("a") as log:
        log.write(f"{path.name}\n")
    if word == "crash":
        os._exit(1)
    if word == "wait":
        time.sleep(3600)
    if word == "once" and _is_first(Path(rest)):
        time.sleep(3600)
    if word == "once":
        return reading_of(frame.file, edge_width_px=1.5, note=word)
    if word == "damaged":
        return Unread(state="damaged", code="cut-short", message=f"{frame.file}: cut short")
    if word == "scene":
        return scene_of(frame.file, *rest.split())
    return reading_of(frame.file, edge_width_px=float(rest or "1.5"), note=word)


def first_look(frame: Frame, bounds: Bounds) -> Reading | Unread:
    """Do the same as a first look; the log says ``quick-`` before the name."""
    found = examine(frame, bounds)
    log = Path(os.environ[LOG])
    *before, last = log.read_text().split()
    log.write_text("".join(f"{name}\n" for name in (*before, f"quick-{last}")))
    return (
        msgspec.structs.replace(found, depth="first-look") if isinstance(found, Reading) else found
    )


def _is_first(marker: Path) -> bool:
    """Whether nobody was here before; the marker is a file that remembers."""
    try:
        marker.touch(exist_ok=False)
    except FileExistsError:
        return False
    return True


def scene_of(file: str, seed: str, energy: str) -> Reading:
    """Sound reading with the registration picture of a drawn scene."""
    from planted_shots import picture, scene

    reading = reading_of(file, edge_width_px=1.5, note="scene")
    png = imageio.imwrite("<bytes>", picture(scene(int(seed))), extension=".png")
    return msgspec.structs.replace(
        reading,
        sharpness=msgspec.structs.replace(reading.sharpness, energy=float(energy)),
        pictures={"registration": png},
    )


def reading_of(file: str, *, edge_width_px: float, note: str) -> Reading:
    """Sound reading but for its edge width."""
    return Reading(
        file=file,
        format="jpeg",
        exposure=Exposure(shutter_s=0.01, aperture_n=8.0, iso=100.0, focal_mm=35.0),
        facts=SensorFacts(width_px=6000, height_px=4000, basis="developed"),
        sharpness=Sharpness(
            laplacian_variance=1e-4,
            energy=0.2,
            edge_width_px=edge_width_px,
            edge_width_low_px=edge_width_px,
            edge_width_high_px=edge_width_px,
            mtf50_cpp=0.5 / edge_width_px,
            edges=100,
            measurable=True,
        ),
        clipping=Clipping(
            highlight_share=NONE_LOST,
            shadow_share=NONE_LOST,
            headroom_ev=PerColour(r=1.0, g=1.0, b=1.0),
            basis="developed",
        ),
        noise=Noise(sigma_dn=30.0, snr_midtone=80.0),
        tone=Tone(low_ev=-9.0, median_ev=-3.5, high_ev=-0.6),
        notes=(note,),
        pictures={"registration": b"picture of " + file.encode()},
    )
