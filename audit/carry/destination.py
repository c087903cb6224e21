"""The folder that is copied to: held by one run, with a manifest of all that was verified in it."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

from audit.carry.copying import PREFIX, Copied, sweep
from audit.carry.folder_lock import locked
from audit.carry.manifest import NAME, manifest_text, path_bytes, read_manifest
from audit.errors import OutputError
from audit.report.whole_file import sync_folder, write_durably


class Manifest:
    """Hashes of what lies in a destination.

    Parameters
    ----------
    path : Path
        Its file, which need not exist.

    Raises
    ------
    SettingsError
        If the file is there and no manifest.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._is_there = path.is_file()
        self._old = read_manifest(path) if self._is_there else {}
        self._hashes = dict(self._old)

    def add(self, copied: Copied) -> None:
        """Take in a file that was verified."""
        if copied.sha256 is not None:
            self._hashes[path_bytes(copied.item.place)] = copied.sha256

    def write(self) -> None:
        """Write the file, all or nothing, if anything changed."""
        if self._hashes != self._old:
            text = manifest_text(self._hashes)
            write_durably(self._path, text, replacing=self._is_there, prefix=PREFIX)
            sync_folder(self._path.parent)


@contextlib.contextmanager
def opened(destination: Path) -> Iterator[Manifest]:
    """Hold a destination, made if it is missing; its manifest is written whatever ends the run.

    Raises
    ------
    FolderError
        If another run holds it.
    SettingsError
        If its manifest is none.
    OutputError
        If it cannot be written.
    """
    try:
        destination.mkdir(parents=True, exist_ok=True)
        with locked(destination):
            sweep(destination)
            manifest = Manifest(destination / NAME)
            try:
                yield manifest
            finally:
                manifest.write()
    except OSError as error:
        raise OutputError(f"{destination}: cannot be written: {error.strerror}") from error
