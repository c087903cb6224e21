"""What earlier runs left: the store opened, its readings, pictures and hashes looked up.

A store that cannot be used costs time and no frame its row.
"""

import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import platformdirs

from audit.errors import StoreError
from audit.records import Frame, KnownHash, PictureName, Reading
from audit.scan import named_bytes
from audit.settings import Settings
from audit.store import Store
from audit.version import MEASURES, TOOL, __version__

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Pictures:
    """Small pictures of the store; one that cannot be read is missing, no more."""

    def __init__(self, store: Store, warn: Callable[[str], None]) -> None:
        self._store = store
        self._warn = warn
        self._digests: dict[bytes, dict[str, bytes]] = {}
        """By the frame's path, once they were asked for."""

    def of(self, frame: Frame, name: PictureName) -> bytes:
        """Encoded picture; empty where there is none."""
        try:
            return self._store.picture(frame, name)
        except StoreError as error:
            self._warn(str(error))
            return b""

    def digest(self, frame: Frame, name: PictureName = "registration") -> bytes | None:
        """Stands for a picture without its being read; ``None`` where there is none."""
        if frame.path not in self._digests:
            try:
                self._digests[frame.path] = self._store.picture_digests(frame)
            except StoreError as error:
                self._warn(str(error))
                self._digests[frame.path] = {}
        return self._digests[frame.path].get(name)

    def grey(self, frame: Frame, name: PictureName = "registration") -> "NDArray[np.uint8] | None":
        """Picture for registration, or another grey one; ``None`` where there is none."""
        from audit.decode.small_pictures import read_grey_png

        return read_grey_png(self.of(frame, name))


SHA256_DIGITS = 64
"""Readings of measures before 3 hold hashes of another kind, half as long: not compared."""

DERIVING = ("series", "optics")
"""Packages whose code turns several readings into something that is kept."""


class Derived:
    """What several readings and their pictures gave together, kept for the next run.

    It is found again by a digest of all that it depends on, this program's code included, so that
    nothing old is ever taken for new. A store that cannot be used costs time and nothing else.

    Parameters
    ----------
    store : Store
    warn : callable
        Gets a sentence if nothing can be kept.
    is_fresh : bool
        Find nothing, as if there had been no run before.
    """

    def __init__(
        self, store: Store, warn: Callable[[str], None], *, is_fresh: bool = False
    ) -> None:
        self._store = store
        self._warn = warn
        self._has_warned = False
        self._is_fresh = is_fresh

    def found(self, name: str, inputs: bytes) -> bytes | None:
        """What was derived from these inputs; ``None`` if it is not kept."""
        if self._is_fresh:
            return None
        try:
            return self._store.derived(_key(name, inputs))
        except StoreError:
            return None

    def keep(self, name: str, inputs: bytes, value: bytes) -> None:
        """Keep what was derived from some inputs."""
        try:
            self._store.put_derived(_key(name, inputs), value)
        except StoreError as error:
            if not self._has_warned:
                self._warn(f"{error}; the next run will take longer")
            self._has_warned = True


def _key(name: str, inputs: bytes) -> bytes:
    digest = hashlib.blake2b(_code_digest(), digest_size=DIGEST_BYTES)
    digest.update(name.encode() + b"\0")
    digest.update(inputs)
    return digest.digest()


@cache
def _code_digest() -> bytes:
    """Digest of the code that derives: a line changed there, and all is derived anew."""
    digest = hashlib.blake2b(f"{__version__} {MEASURES}".encode(), digest_size=DIGEST_BYTES)
    for package in DERIVING:
        sources = [each for each in (files("audit") / package).iterdir() if each.is_file()]
        for source in sorted(sources, key=lambda each: each.name):
            digest.update(source.name.encode() + b"\0" + source.read_bytes())
    return digest.digest()


DIGEST_BYTES = 16


def opened_store(settings: Settings, warn: Callable[[str], None]) -> Store:
    """Open the store, or one that ends with the run where there can be none."""
    folder = settings.cache or platformdirs.user_cache_path(TOOL)
    try:
        return Store(folder, version=MEASURES, warn=warn)
    except StoreError as error:
        warn(f"{error}; nothing is kept for the next run")
        return Store(None, version=MEASURES, warn=warn)


AT_ONCE = 256
"""Frames looked up together: so many readings as they lie in the store are held (project's
choice)."""


def stored(
    frames: Sequence[Frame], store: Store, warn: Callable[[str], None], *, first_looks: bool = False
) -> Iterator[tuple[int, Reading]]:
    """Readings of earlier runs with the frame's place, in order.

    With ``first_looks`` those of frames that have no full reading too.
    """
    for first in range(0, len(frames), AT_ONCE):
        try:
            some = frames[first : first + AT_ONCE]
            kept = store.get_many(some)
            if first_looks and len(kept) < len(some):
                kept = store.get_many(some, "first-look") | kept
        except StoreError as error:
            warn(f"{error}; everything that is not read by now is measured again")
            return
        for at, reading in sorted(kept.items()):
            yield first + at, _renamed(reading, frames[first + at])


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
        if len(digest) == SHA256_DIGITS
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
