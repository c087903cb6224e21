"""The order of the steps: scan, look up, measure, judge, rank.

This process never opens an original for its pixels: that is the workers' part. It alone writes the
store. Whatever happens to one frame, or to the store, the others get their rows.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import msgspec

from audit.card import card_notes
from audit.errors import FolderError
from audit.kept import Derived, Pictures, known_hashes, opened_store, stored
from audit.measuring import Progress, measure
from audit.rank import ranked
from audit.records import (
    AuditedFrame,
    Counts,
    Frame,
    PictureName,
    Reading,
    Report,
    Skipped,
    Tool,
    Unread,
    UsedSettings,
)
from audit.rows import Details, dust_of, judged_together, row_of, series_of
from audit.scan import Scan, display_name, named_bytes, scan
from audit.settings import Settings
from audit.store import Store
from audit.version import TOOL, __version__

__all__ = ["Audit", "Progress", "check", "known_hashes", "one_frame", "open_audit", "photographs"]

NOT_MEASURED = "not measured: the run was stopped"


def check(
    folders: Sequence[Path],
    settings: Settings,
    *,
    progress: Progress | None = None,
    warn: Callable[[str], None] | None = None,
) -> Report:
    """Audit the frames below some folders.

    Parameters
    ----------
    folders : sequence of Path
    settings : Settings
    progress : Progress, optional
        Told of every frame that is measured; those in the store are none of its business.
    warn : callable, optional
        Gets a sentence for whatever went wrong without harm to the report.

    Returns
    -------
    Report
        One row for each frame, the same for the same files in whatever order they were measured.
        Ctrl-C while measuring ends it early: the frames not measured are then among the skipped.

    Raises
    ------
    FolderError
        If a folder cannot be scanned.
    AuditError
        If no worker process can be started.
    """
    with open_audit(folders, settings, progress=progress, warn=warn) as audit:
        return audit.report


class Audit:
    """A run's report, and the small pictures of its frames as long as the store is open.

    Attributes
    ----------
    report : Report
    """

    def __init__(
        self,
        report: Report,
        frames: Iterable[Frame],
        store: Store,
        warn: Callable[[str], None],
    ) -> None:
        self.report = report
        self._frames = {(frame.folder, frame.file): frame for frame in frames}
        self._pictures = Pictures(store, warn)

    @property
    def frames(self) -> tuple[Frame, ...]:
        """All frames, with the paths of their files."""
        return tuple(self._frames.values())

    def frame_of(self, row: AuditedFrame) -> Frame:
        """Frame of a row, with the paths of its files."""
        return self._frames[row.folder, row.file]

    def picture(self, row: AuditedFrame, name: PictureName) -> bytes:
        """Encoded small picture of a row; empty where there is none. No original is opened."""
        frame = self._frames.get((row.folder, row.file))
        return b"" if frame is None else self._pictures.of(frame, name)


@contextmanager
def open_audit(
    folders: Sequence[Path],
    settings: Settings,
    *,
    progress: Progress | None = None,
    warn: Callable[[str], None] | None = None,
    seen: Callable[[AuditedFrame], None] | None = None,
    read: Callable[[Frame, Reading | Unread], None] | None = None,
) -> Iterator[Audit]:
    """Audit like `check`, and keep the pictures at hand until the context ends.

    Parameters
    ----------
    folders, settings, progress, warn
        As for `check`.
    seen : callable, optional
        Gets each frame as soon as it is measured, judged by itself alone: other frames may still
        change its findings and verdict, and it has no rank yet.
    read : callable, optional
        Gets what was learnt from its files, just before `seen` gets the frame.

    Yields
    ------
    Audit

    Raises
    ------
    FolderError, AuditError
        As `check` does.
    """
    warn = warn or _say_nothing
    found = scan(folders)
    with opened_store(settings, warn) as store:
        told = (read or _read_nothing, seen or _see_nothing)
        report = _report_of(found, folders, settings, store, progress, warn, *told)
        yield Audit(report, found.frames, store, warn)


def _report_of(
    found: Scan,
    folders: Sequence[Path],
    settings: Settings,
    store: Store,
    progress: Progress | None,
    warn: Callable[[str], None],
    read: Callable[[Frame, Reading | Unread], None],
    seen: Callable[[AuditedFrame], None],
) -> Report:
    """Measure what is missing and judge everything."""
    results: dict[int, Reading | Unread] = {}
    rows: dict[int, AuditedFrame] = {}
    details = Details()

    def take(index: int) -> None:
        results[index] = details.without(index, results[index])
        rows[index] = row_of(found.frames[index], results[index], settings)

    def show(index: int) -> None:
        take(index)
        read(found.frames[index], results[index])
        seen(rows[index])

    if not settings.fresh:
        for index, reading in stored(found.frames, store, warn, first_looks=settings.quick):
            results[index] = reading
            show(index)
    from_store = len(results)
    is_whole = measure(found.frames, results, store, settings, progress, warn, show)
    for index in results.keys() - rows.keys():  # Ctrl-C may have come just before
        take(index)
    judged_together(rows, results, settings)
    pictures = Pictures(store, warn)
    derived = Derived(store, warn, is_fresh=settings.fresh)
    series = series_of(rows, found.frames, results, settings, pictures, derived, details, warn)
    dust = dust_of(rows, found.frames, series, settings, pictures, derived, warn)
    left_out = [
        Skipped(folder=frame.folder, file=frame.file, reason=NOT_MEASURED)
        for index, frame in enumerate(found.frames)
        if index not in results
    ]
    skipped = (*found.skipped, *left_out)
    frames = ranked(rows.values())
    return Report(
        tool=Tool(name=TOOL, version=__version__),
        settings=_used(settings),
        folders=tuple(display_name(folder) for folder in folders),
        frames=frames,
        series=series,
        dust=dust,
        skipped=skipped,
        card=card_notes(found.frames, results, found.skipped),
        counts=_counts(frames, from_store=from_store, skipped=len(skipped)),
        interrupted=not is_whole,
    )


def one_frame(
    path: Path,
    settings: Settings,
    *,
    progress: Progress | None = None,
    warn: Callable[[str], None] | None = None,
) -> AuditedFrame:
    """Audit one frame by itself; one that is in the store is not opened.

    Parameters
    ----------
    path : Path
        Its file, or that of its twin.
    settings, progress, warn
        As for `check`.

    Returns
    -------
    AuditedFrame
        Unread where it could not be measured; without rank and series.

    Raises
    ------
    FolderError
        If its folder cannot be scanned, or the file is no frame.
    AuditError
        If no worker process can be started.
    """
    warn = warn or _say_nothing
    name = display_name(path.name)
    found = scan([path.parent])
    frames = tuple(each for each in found.frames if name in (each.file, *each.companions))
    if not frames:
        reason = next((each.reason for each in found.skipped if each.file == name), "none")
        raise FolderError(f"{display_name(path)}: expected a frame, found: {reason}")
    results: dict[int, Reading | Unread] = {}
    with opened_store(settings, warn) as store:
        if not settings.fresh:
            results.update(stored(frames, store, warn))
        measure(frames, results, store, settings, progress, warn, _see_nothing)
    if not results:
        raise KeyboardInterrupt
    return row_of(frames[0], results[0], settings)


def photographs(folder: Path) -> tuple[bytes, ...]:
    """Files below a folder that are frames or companions: paths below it, with ``/``.

    Raises
    ------
    FolderError
        If it cannot be scanned.
    """
    frames = scan([folder]).frames
    return tuple(named_bytes(name) for frame in frames for name in (frame.file, *frame.companions))


def _used(settings: Settings) -> UsedSettings:
    size = settings.print_size
    return UsedSettings(
        viewing_cm=settings.viewing_cm,
        print_long_cm=None if size is None else size.long_cm,
        print_short_cm=None if size is None else size.short_cm,
        repeats=settings.repeats,
        limits=msgspec.structs.asdict(settings.limits),
    )


def _counts(frames: Sequence[AuditedFrame], *, from_store: int, skipped: int) -> Counts:
    """Sums; excused findings do not count."""
    verdicts = Counter(frame.verdict for frame in frames)
    kinds = Counter(
        finding.kind for frame in frames for finding in frame.findings if finding.excused_by is None
    )
    looked_at = sum(frame.depth == "first-look" for frame in frames)
    total = sum(verdicts.values())
    return Counts(
        frames=total,
        measured=total - verdicts["unread"],
        unread=verdicts["unread"],
        keeper=verdicts["keeper"],
        look_again=verdicts["look-again"],
        reject=verdicts["reject"],
        from_store=from_store,
        skipped=skipped,
        findings=dict(sorted(kinds.items())),
        first_look=looked_at,
    )


def _say_nothing(_: str) -> None:
    """Stand in for a caller who wants no warnings."""


def _read_nothing(_: Frame, __: Reading | Unread) -> None:
    """Stand in for a caller who wants rows alone."""


def _see_nothing(_: object) -> None:
    """Stand in for a caller who waits for the report."""
