"""Every limit as a settings file: printed, saved, edited and handed back with ``--limits``."""

import json
import textwrap
from collections.abc import Iterable
from typing import TextIO

from audit.report.why import LimitSource
from audit.version import __version__

WIDTH = 80

HEAD = f"""\
# Limits of frame-audit {__version__}. To change some:
#     frame-audit limits > limits.toml
#     (edit limits.toml; lines that you delete keep their default)
#     frame-audit check FOLDER --limits limits.toml
# A limit judges; it never changes a measurement, so no frame is measured again.

# The print that you have in mind and the distance from which it is seen.
# print = "90x60cm"
# viewing_cm = 50

[limits]
"""

CAMERA = """
# A body whose pixel pitch is not known, or not trusted: width of the sensor in mm, and pixels
# along it; height_px only for frame-audit plan.
# [[camera]]
# make = "Velmark"
# model = "VK-50"
# width_mm = 36.0
# width_px = 8256
# height_px = 5504
"""


def write(limits: Iterable[LimitSource], out: TextIO) -> None:
    """Write every limit with default, unit, meaning and source, as TOML."""
    out.write(HEAD)
    for note in limits:
        words = f"{note.meaning}; unit: {note.unit}; source: {note.source}"
        comment = textwrap.wrap(words, WIDTH, initial_indent="# ", subsequent_indent="# ")
        value = json.dumps(note.default)  # a basic TOML string or number is written like JSON's
        out.write("\n" + "\n".join(comment) + f"\n{note.name} = {value}\n")
    out.write(CAMERA)
