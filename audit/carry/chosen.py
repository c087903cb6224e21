"""From the rows of a report to what is carried: sidecars to write, files to copy."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from collections.abc import Set as AbstractSet
from pathlib import Path

from audit.carry.copying import Copied, CopyItem, copy_all, copy_item, require_room
from audit.carry.destination import opened
from audit.carry.layout import Layout
from audit.carry.sidecar_names import SidecarNames, files_of
from audit.carry.sidecars import Sidecar, SidecarOrders, SidecarWriter
from audit.records import AuditedFrame, Frame, Report

NEEDED_WHOLE = ("exposure-bracket", "focus-bracket", "panorama")
"""Series whose frames are all needed for one picture: none serves alone."""

FrameOf = Callable[[AuditedFrame], Frame]
"""Gives the files of a row."""


def sidecar_writer(orders: SidecarOrders, frames: Sequence[Frame], layout: Layout) -> SidecarWriter:
    """Make the writer of a run's sidecars; ``frames`` are all of the run."""
    return SidecarWriter(orders, SidecarNames(frames), layout)


def sidecars_of(
    writer: SidecarWriter, rows: Iterable[AuditedFrame], frame_of: FrameOf
) -> Iterator[Sidecar]:
    """Plan the sidecar of each row, by name; nothing is written."""
    for row in sorted(rows, key=lambda row: (row.folder, row.file)):
        yield writer.plan(row, frame_of(row))


def chosen(report: Report, verdicts: AbstractSet[str], *, whole_series: bool) -> list[AuditedFrame]:
    """Rows of the verdicts asked for, and of the series that they need."""
    series = _needed(report, [row for row in report.frames if row.verdict in verdicts])
    rows = [
        row
        for row in report.frames
        if row.verdict in verdicts or (whole_series and row.series in series)
    ]
    return sorted(rows, key=lambda row: (row.folder, row.file))


def torn_apart(report: Report, rows: Sequence[AuditedFrame]) -> Iterator[str]:
    """Say which brackets and panoramas these rows would tear apart."""
    needed = _needed(report, rows)
    members = Counter(row.series for row in report.frames)
    taken = Counter(row.series for row in rows)
    for series in report.series:
        if series.id in needed and taken[series.id] < members[series.id]:
            yield (
                f"{series.id}, {series.kind.replace('-', ' ')} from {series.files[0]}: only "
                f"{taken[series.id]} of {members[series.id]} frames are of the verdicts asked for"
            )


def _needed(report: Report, rows: Iterable[AuditedFrame]) -> frozenset[str]:
    wanted = {row.series for row in rows}
    return frozenset(s.id for s in report.series if s.id in wanted and s.kind in NEEDED_WHOLE)


def items_of(
    rows: Iterable[AuditedFrame], frames: Sequence[Frame], frame_of: FrameOf, layout: Layout
) -> list[CopyItem]:
    """Files of the rows: main file, companions, sidecars, each once."""
    names = SidecarNames(frames)
    items = {}
    for row in rows:
        frame = frame_of(row)
        files = files_of(frame)
        for path in (*files, *names.existing(frame, files[0].parent)):
            item = copy_item(path, layout.below(path, frame.folder))
            if item is not None:
                items[path] = item
    return list(items.values())


def copied(
    items: Sequence[CopyItem], destination: Path, *, advance: Callable[[float, str], None]
) -> Iterator[Copied]:
    """Copy files, and leave a manifest of what was verified, whatever ends it.

    Raises
    ------
    OutputError
        If the destination cannot be written, or has too little room.
    """
    require_room(items, destination)
    with opened(destination) as manifest:
        for each in copy_all(items, destination, advance=advance):
            manifest.add(each)
            yield each
