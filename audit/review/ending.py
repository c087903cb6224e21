"""What a review writes at its end, by the code of the commands: listed first, then written."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.carry.chosen import chosen, copied, items_of, sidecar_writer, sidecars_of, torn_apart
from audit.carry.copying import Copied, CopyItem
from audit.carry.layout import Layout
from audit.carry.sidecars import Sidecar, SidecarOrders
from audit.errors import AuditError
from audit.records import AuditedFrame, Frame, Report, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What the person ticked.

    Attributes
    ----------
    ratings : mapping of Verdict to int
        Empty: no sidecar is written.
    replaces_ratings : bool
    copies : bool
        Whether keepers are copied.
    whole_series : bool
    """

    ratings: Mapping[Verdict, int]
    replaces_ratings: bool = False
    copies: bool = False
    whole_series: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What would be written.

    Attributes
    ----------
    sidecars : tuple of Sidecar
    items : tuple of CopyItem
        Files as they lie there now; sidecars of this plan are copied with them.
    warnings : tuple of str
    report : Report
        With the person's words.
    wishes : Wishes
    """

    sidecars: tuple[Sidecar, ...]
    items: tuple[CopyItem, ...]
    warnings: tuple[str, ...]
    report: Report
    wishes: Wishes


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was written."""

    sidecars: tuple[Sidecar, ...]
    copies: tuple[Copied, ...]
    error: str | None = None


class Ending:
    """Plans and carries out what a review writes.

    Parameters
    ----------
    folders : sequence of Path
    frames : sequence of Frame
        All of the run.
    destination : Path or None
        Where copies go, as the command was told; ``None``: nothing is copied.
    """

    def __init__(
        self, folders: Sequence[Path], frames: Sequence[Frame], destination: Path | None
    ) -> None:
        self._frames = frames
        self._by_name = {(frame.folder, frame.file): frame for frame in frames}
        self._layout = Layout(folders)
        self.destination = destination

    def plan(self, report: Report, wishes: Wishes) -> Plan:
        """Say what would be written; nothing is."""
        rows = self._copied_rows(report, wishes)
        return Plan(
            sidecars=tuple(self._sidecars(report, wishes, is_dry=True)),
            items=tuple(items_of(rows, self._frames, self._frame_of, self._layout)),
            warnings=() if wishes.whole_series else tuple(torn_apart(report, rows)),
            report=report,
            wishes=wishes,
        )

    def carry_out(self, plan: Plan, advance: Callable[[float, str], None]) -> Outcome:
        """Write what was planned: sidecars first, so that they go along with the copies."""
        sidecars = tuple(self._sidecars(plan.report, plan.wishes, is_dry=False))
        rows = self._copied_rows(plan.report, plan.wishes)
        done: list[Copied] = []
        error = None
        if rows and self.destination is not None:
            items = items_of(rows, self._frames, self._frame_of, self._layout)
            try:
                done.extend(copied(items, self.destination, advance=advance))
            except AuditError as found:
                error = str(found)
        return Outcome(sidecars=sidecars, copies=tuple(done), error=error)

    def _sidecars(self, report: Report, wishes: Wishes, *, is_dry: bool) -> Iterable[Sidecar]:
        if not wishes.ratings:
            return
        orders = SidecarOrders(ratings=wishes.ratings, replaces_ratings=wishes.replaces_ratings)
        writer = sidecar_writer(orders, self._frames, self._layout)
        for sidecar in sidecars_of(writer, report.frames, self._frame_of):
            yield sidecar if is_dry else writer.write(sidecar)

    def _copied_rows(self, report: Report, wishes: Wishes) -> list[AuditedFrame]:
        if not wishes.copies or self.destination is None:
            return []
        return chosen(report, frozenset(("keeper",)), whole_series=wishes.whole_series)

    def _frame_of(self, row: AuditedFrame) -> Frame:
        return self._by_name[row.folder, row.file]
