"""Stands for measuring in the tests of `run`: files say themselves what shall become of them.

Loaded by real worker processes. After its two bytes of JPEG signature and one more, a file holds
words: ``sharp 0.3``, ``damaged``, ``crash``, ``wait``, ``unjudgeable``.
"""

import os
import time
from pathlib import Path

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

LOG = "PLANTED_EXAMINE_LOG"
"""Environment variable: where each call leaves the name of its file."""

HEAD = b"\xff\xd8\xff"
NONE_LOST = ClippedShare(r=0.0, g=0.0, b=0.0, any=0.0, all=0.0)


def load() -> None:
    """Nothing to load."""


def examine(frame: Frame) -> Reading | Unread:
    """Do what the file says; a log remembers each call."""
    path = Path(os.fsdecode(frame.path))
    word, _, rest = path.read_bytes().removeprefix(HEAD).decode().partition(" ")
    with Path(os.environ[LOG]).open("a") as log:
        log.write(f"{path.name}\n")
    if word == "crash":
        os._exit(1)
    if word == "wait":
        time.sleep(3600)
    if word == "damaged":
        return Unread(state="damaged", code="cut-short", message=f"{frame.file}: cut short")
    return reading_of(frame.file, edge_width_px=float(rest or "1.5"), note=word)


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
