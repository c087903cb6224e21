"""What earlier runs left: the store opened, its readings, pictures and hashes looked up.

A store that cannot be used costs time and no frame its row.
"""

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import platformdirs

from audit.errors import StoreError
from audit.records import Frame, KnownHash, PictureName, Reading, Unread
from audit.scan import named_bytes
from audit.settings import Settings
from audit.store import Store
from audit.version import MEASURES, TOOL

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Pictures:
    """Small pictures of the store; one that cannot be read is missing, no more."""

    def __init__(self, store: Store, warn: Callable[[str], None]) -> None:
        self._store = store
        self._warn = warn

    def of(self, frame: Frame, name: PictureName) -> bytes:
        """Encoded picture; empty where there is none."""
        try:
            return self._store.picture(frame, name)
        except StoreError as error:
            self._warn(str(error))
            return b""

    def grey(self, frame: Frame, name: PictureName = "registration") -> "NDArray[np.uint8] | None":
        """Picture for registration, or another grey one; ``None`` where there is none."""
        from audit.decode.small_pictures import read_grey_png

        return read_grey_png(self.of(frame, name))


def opened_store(settings: Settings, warn: Callable[[str], None]) -> Store:
    """Open the store, or one that ends with the run where there can be none."""
    folder = settings.cache or platformdirs.user_cache_path(TOOL)
    try:
        return Store(folder, version=MEASURES, warn=warn)
    except StoreError as error:
        warn(f"{error}; nothing is kept for the next run")
        return Store(None, version=MEASURES, warn=warn)


def stored(
    frames: Sequence[Frame], store: Store, warn: Callable[[str], None]
) -> dict[int, Reading | Unread]:
    """Readings of earlier runs, by the frame's place."""
    try:
        kept = store.get_many(frames)
    except StoreError as error:
        warn(f"{error}; everything is measured again")
        return {}
    return {index: _renamed(reading, frames[index]) for index, reading in kept.items()}


def known_hashes(
    folder: Path, settings: Settings, *, warn: Callable[[str], None]
) -> tuple[Path, tuple[KnownHash, ...]]:
    """Hashes of the files below a folder from when they were measured.

    Parameters
    ----------
    folder : Path
    settings : Settings
    warn : callable
        Gets a sentence if the store cannot be used.

    Returns
    -------
    Path
        The folder as the store knows it.
    tuple of KnownHash
    """
    real = Path(os.path.realpath(folder))
    try:
        with opened_store(settings, warn) as store:
            stored = store.hashes_below(os.fsencode(real))
    except StoreError as error:
        warn(str(error))
        return real, ()
    return real, tuple(
        KnownHash(path=_measured_path(main, measured), digest=digest)
        for main, (measured, digest) in stored.items()
    )


def _measured_path(main: bytes, measured: str) -> bytes:
    """Path of the file whose pixels were measured: it lies in the folder of the main one."""
    folder, separator, _ = main.rpartition(os.sep.encode())
    return folder + separator + named_bytes(measured.rpartition("/")[2])


def _renamed(reading: Reading, frame: Frame) -> Reading:
    """Name the measured file as this run does: the folder that was named may be another."""
    measured = reading.file.rpartition("/")[2]
    for file in (frame.file, *frame.companions):
        if file.rpartition("/")[2] == measured:
            return msgspec.structs.replace(reading, file=file)
    return reading
