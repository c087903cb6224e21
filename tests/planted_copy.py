"""A copy in a process of its own, to be killed: ``python planted_copy.py SOURCE DESTINATION``.

Writes a byte to stdout whenever a piece of a file is read or read back.
"""

import os
import sys
from pathlib import Path

from audit.carry import copying, hashing
from audit.carry.destination import opened

PIECE_BYTES = 16_384


def items_of(source: Path) -> list[copying.CopyItem]:
    """Every file below a folder."""
    paths = sorted(path for path in source.rglob("*") if path.is_file())
    items = [copying.copy_item(path, path.relative_to(source)) for path in paths]
    return [item for item in items if item is not None]


def carry(source: Path, destination: Path) -> list[copying.Copied]:
    """Copy all of it."""
    with opened(destination) as manifest:
        done = []
        for copied in copying.copy_all(items_of(source), destination, advance=_tell):
            manifest.add(copied)
            done.append(copied)
    return done


def _tell(_: float, __: str) -> None:
    if __name__ == "__main__":
        os.write(1, b".")


if __name__ == "__main__":
    copying.CHUNK_BYTES = hashing.CHUNK_BYTES = PIECE_BYTES
    carry(Path(sys.argv[1]), Path(sys.argv[2]))
