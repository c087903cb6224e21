"""Sidecars of the frames of a report: planned, shown, written all or nothing."""

import errno
import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from audit.carry.layout import Layout
from audit.carry.sidecar_names import Naming, SidecarNames, files_of
from audit.carry.xmp_merge import Wish, merge
from audit.errors import SidecarError
from audit.records import AuditedFrame, Frame, Verdict
from audit.report.digest import standing
from audit.report.whole_file import sync_folder, write_durably
from audit.report.xmp_sidecar import measures_of

SHUT = frozenset((errno.EROFS, errno.EACCES, errno.EPERM, errno.ENOSPC, errno.EDQUOT))
"""Refusals that hold for a whole folder."""

State = Literal["new", "changed", "unchanged", "left"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SidecarOrders:
    """What the person asked for.

    Attributes
    ----------
    ratings : mapping of Verdict to int
        Rating by verdict; empty: no rating is touched.
    keywords : mapping of str to tuple of str
        Keywords by verdict or kind of finding; empty: no keyword is touched.
    replaces_ratings : bool
        Whether a rating that somebody else gave may be replaced.
    naming : {"stem", "full"}
        Form of a new sidecar's name.
    is_told : bool
        Whether that form was chosen; then it decides between two that exist.
    into : Path or None
        Folder for all sidecars; ``None``: beside the frames.
    """

    ratings: Mapping[Verdict, int] = field(default_factory=dict)
    keywords: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    replaces_ratings: bool = False
    naming: Naming = "stem"
    is_told: bool = False
    into: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sidecar:
    """What becomes of one frame's sidecar."""

    file: str
    """The frame, as in the report."""
    state: State
    path: Path | None = None
    changes: tuple[str, ...] = ()
    reason: str | None = None
    """Why it was left as it is."""
    is_shut: bool = False
    """Whether that is the folder's doing, and so that of all sidecars in it."""
    kept_rating: str | None = None
    """Rating that somebody else gave and that stays."""
    data: bytes = field(default=b"", repr=False)
    seen: tuple[int, ...] | None = None
    """Identity of the file that the change rests on."""


class SidecarWriter:
    """Plans and writes the sidecars of one run.

    Parameters
    ----------
    orders : SidecarOrders
    names : SidecarNames
    layout : Layout
        Places below ``orders.into``.
    """

    def __init__(self, orders: SidecarOrders, names: SidecarNames, layout: Layout) -> None:
        self._orders = orders
        self._names = names
        self._layout = layout
        self._shut: dict[Path, str] = {}
        """Folders that refused to be written, with the reason."""

    def plan(self, row: AuditedFrame, frame: Frame) -> Sidecar:
        """Say what shall become of a frame's sidecar; nothing is written."""
        if row.state != "measured":
            return Sidecar(file=row.file, state="left", reason="the frame could not be read")
        path: Path | None = None
        try:
            path = self._path(frame)
            old, seen = _read(path)
            base = self._beside(frame) if old is None and self._orders.into is not None else old
            merged = merge(base, self._wish(row))
        except (SidecarError, OSError) as error:
            return Sidecar(file=row.file, state="left", path=path, reason=_reason(error))
        state: State = "new" if old is None else "changed" if merged.changes else "unchanged"
        return Sidecar(
            file=row.file,
            state=state,
            path=path,
            changes=merged.changes,
            kept_rating=merged.kept_rating,
            data=merged.data,
            seen=seen,
        )

    def write(self, sidecar: Sidecar) -> Sidecar:
        """Write what was planned, if the file is still the one that the plan rests on."""
        if sidecar.state not in ("new", "changed") or sidecar.path is None:
            return sidecar
        folder = sidecar.path.parent
        reason, is_shut = self._shut.get(folder), folder in self._shut
        if reason is None:
            try:
                self._put(sidecar, sidecar.path)
            except FileExistsError:
                reason = "was made by another program meanwhile; run the command again"
            except SidecarError as error:
                reason = str(error)
            except OSError as error:
                reason = f"cannot be written: {_reason(error)}"
                is_shut = error.errno in SHUT
                if is_shut:
                    self._shut[folder] = reason
        if reason is None:
            return sidecar
        return Sidecar(
            file=sidecar.file, state="left", path=sidecar.path, reason=reason, is_shut=is_shut
        )

    def _put(self, sidecar: Sidecar, path: Path) -> None:
        if self._orders.into is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
        if sidecar.seen is not None and _identity(path) != sidecar.seen:
            raise SidecarError("was changed by another program meanwhile; run the command again")
        write_durably(path, sidecar.data, replacing=sidecar.seen is not None)
        sync_folder(path.parent)

    def _path(self, frame: Frame) -> Path:
        folder = files_of(frame)[0].parent
        if self._orders.into is not None:
            main = files_of(frame)[0]
            folder = (self._orders.into / self._layout.below(main, frame.folder)).parent
        return self._chosen(frame, folder)

    def _chosen(self, frame: Frame, folder: Path) -> Path:
        orders = self._orders
        return self._names.chosen(frame, folder, usual=orders.naming, told=orders.is_told)

    def _beside(self, frame: Frame) -> bytes | None:
        """Sidecar beside the frame, which one in another folder starts from."""
        return _read(self._chosen(frame, files_of(frame)[0].parent))[0]

    def _wish(self, row: AuditedFrame) -> Wish:
        orders = self._orders
        marks = (row.verdict, *(finding.kind for finding in standing(row)))
        words = (word for mark in marks for word in orders.keywords.get(mark, ()))
        return Wish(
            measures=measures_of(row),
            rates=bool(orders.ratings),
            rating=orders.ratings.get(row.verdict),
            replaces_ratings=orders.replaces_ratings,
            words=bool(orders.keywords),
            keywords=tuple(dict.fromkeys(words)),
        )


def _read(path: Path) -> tuple[bytes | None, tuple[int, ...] | None]:
    """Content and identity of a sidecar; ``None`` if there is none."""
    try:
        found = path.lstat()
    except FileNotFoundError:
        return None, None
    if not stat.S_ISREG(found.st_mode):
        raise SidecarError("expected a plain file, found a link or a folder")
    return path.read_bytes(), _identity_of(found)


def _identity(path: Path) -> tuple[int, ...] | None:
    try:
        return _identity_of(path.lstat())
    except FileNotFoundError:
        return None


def _identity_of(found: os.stat_result) -> tuple[int, ...]:
    return (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns)


def _reason(error: Exception) -> str:
    return (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
