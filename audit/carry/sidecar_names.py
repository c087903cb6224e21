"""Which sidecar belongs to which frame.

Two practices are about: ``NAME.xmp`` (ISO 16684-3, and the standard form) and ``NAME.EXT.xmp``
(common practice, no source). What exists is used. The short form can be shared by accident, since
several files may have one stem: a raw owns it, and where no single file can own it nobody uses it.
Names are compared in any case, because cards and many disks know no case.
"""

import os
from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Literal

from audit.errors import SidecarError
from audit.records import Frame

Naming = Literal["stem", "full"]
"""``NAME.xmp`` or ``NAME.EXT.xmp``."""

SUFFIX = ".xmp"
DEVELOPED = frozenset(("jpeg", "tiff", "heif"))
"""Formats that can hold XMP themselves; of a shared stem the raw file owns the sidecar."""


class SidecarNames:
    """Names of the sidecars of all frames of a run.

    Parameters
    ----------
    frames : sequence of Frame
        All of them: who shares a stem is seen only so.
    """

    def __init__(self, frames: Sequence[Frame]) -> None:
        self._owners: dict[tuple[str, str], list[Frame]] = defaultdict(list)
        self._full: dict[tuple[str, str], int] = defaultdict(int)
        self._listed: dict[str, dict[str, list[str]]] = {}
        for frame in frames:
            paths = files_of(frame)
            for stem in {path.stem.casefold() for path in paths}:
                self._owners[str(paths[0].parent), stem].append(frame)
            for path in paths:
                self._full[str(path.parent), path.name.casefold()] += 1

    def existing(self, frame: Frame, folder: Path) -> tuple[Path, ...]:
        """Sidecars of a frame that are in a folder, whoever else may own them."""
        listed = self._listing(folder)
        found: dict[Path, None] = {}
        for path in files_of(frame):
            for wanted in (path.stem, path.name):
                names = listed.get(f"{wanted}{SUFFIX}".casefold(), ())
                found.update(dict.fromkeys(folder / name for name in names))
        return tuple(found)

    def chosen(self, frame: Frame, folder: Path, *, usual: Naming, told: bool) -> Path:
        """Path of the sidecar to read and write.

        Parameters
        ----------
        frame : Frame
        folder : Path
            Where sidecars of the frame lie.
        usual : {"stem", "full"}
            Form of a new one.
        told : bool
            Whether the person chose that form: then it decides between two that exist.

        Raises
        ------
        SidecarError
            If two exist, or none can be given without sharing.
        """
        main = files_of(frame)[0]
        owns_stem = self._owns_stem(frame, main)
        forms: list[Naming] = ["stem", "full"] if owns_stem else ["full"]
        found = {form: self._found(main, folder, form) for form in forms}
        there = [form for form in forms if found[form] is not None]
        if len(there) == 2 and not told:
            raise SidecarError("has two sidecars; choose one with --naming")
        form = usual if usual in there or not there else there[0]
        if form not in forms:
            form = "full"
        if form == "full" and self._full[str(main.parent), main.name.casefold()] > 1:
            raise SidecarError("another frame's name differs in upper and lower case alone")
        return found[form] or folder / _name(main, form)

    def _owns_stem(self, frame: Frame, main: Path) -> bool:
        owners = self._owners[str(main.parent), main.stem.casefold()]
        raws = [each for each in owners if each.format not in DEVELOPED]
        return owners == [frame] or raws == [frame]

    def _found(self, main: Path, folder: Path, form: Naming) -> Path | None:
        """The one sidecar of that form, in whatever case it is written."""
        names = self._listing(folder).get(_name(main, form).casefold(), [])
        if len(names) > 1:
            raise SidecarError(f"has two sidecars: {' and '.join(names)}")
        return folder / names[0] if names else None

    def _listing(self, folder: Path) -> dict[str, list[str]]:
        """Sidecars in a folder by their name in lower case; listed once."""
        key = str(folder)
        if key not in self._listed:
            self._listed[key] = _by_folded_name(_sidecars_in(folder))
        return self._listed[key]


def files_of(frame: Frame) -> tuple[Path, ...]:
    """Paths of a frame's files, the main one first."""
    return tuple(Path(os.fsdecode(path)) for path in (frame.path, *frame.companion_paths))


def _name(main: Path, form: Naming) -> str:
    return f"{main.stem if form == 'stem' else main.name}{SUFFIX}"


def _sidecars_in(folder: Path) -> Iterable[str]:
    try:
        return sorted(name for name in os.listdir(folder) if name.lower().endswith(SUFFIX))  # noqa: PTH208
    except OSError:
        return []


def _by_folded_name(names: Iterable[str]) -> dict[str, list[str]]:
    folded: dict[str, list[str]] = defaultdict(list)
    for name in names:
        folded[name.casefold()].append(name)
    return dict(folded)
