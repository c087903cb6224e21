"""Progress and warnings on stderr while a run lasts."""

from typing import TextIO

from rich.console import Console
from rich.progress import (
    BarColumn,
    DownloadColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from audit.report.text import encodable, inert

PACE_OVER_S = 600.0
"""The time left follows the pace of this long; frames take seconds each (project's choice)."""
NAME_WIDTH = 28


class StandardError:
    """Shows a bar with count, time gone, time left and the file at hand, and warnings above it.

    Parameters
    ----------
    out : TextIO
        Normally ``sys.stderr``. The bar is shown only if it is a terminal.
    quiet : bool
        Neither bar nor warnings.
    colour : bool
        Whether a terminal gets colours.
    """

    def __init__(self, out: TextIO, *, quiet: bool = False, colour: bool = True) -> None:
        self._quiet = quiet
        self._encoding = getattr(out, "encoding", None)
        self._console = Console(
            file=out,
            stderr=True,
            no_color=None if colour else True,
            highlight=False,
            markup=False,
            emoji=False,
        )
        self._bar: Progress | None = None
        self._task = TaskID(0)

    def start(self, total: int) -> None:
        """Show the bar for so many frames."""
        self._show(total, MofNCompleteColumn(), TextColumn("frames"))

    def start_bytes(self, total: int) -> None:
        """Show the bar for so many bytes."""
        self._show(total, DownloadColumn())

    def _show(self, total: int, *amounts: ProgressColumn) -> None:
        if self._quiet or not self._console.is_terminal:
            return
        self._bar = Progress(
            *amounts,
            BarColumn(bar_width=None),
            TimeElapsedColumn(),
            TextColumn("gone,"),
            TimeRemainingColumn(),
            TextColumn("left"),
            TextColumn("{task.description}", markup=False),
            console=self._console,
            transient=True,
            speed_estimate_period=PACE_OVER_S,
        )
        self._task = self._bar.add_task("", total=total)
        self._bar.start()

    def advance(self, name: str) -> None:
        """One frame more is done; show its name."""
        self.advance_by(1, name)

    def advance_by(self, amount: float, name: str) -> None:
        """So much more is done; show the name of the file at hand."""
        if self._bar is not None:
            shown = self._safe(name.rpartition("/")[2])[-NAME_WIDTH:]
            self._bar.update(self._task, advance=amount, description=shown)

    def finish(self) -> None:
        """Take the bar away; harmless if there is none."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

    def warn(self, message: str) -> None:
        """Write a warning line."""
        if not self._quiet:
            self._console.print(
                Text(self._safe(f"frame-audit: warning: {message}")), soft_wrap=True
            )

    def _safe(self, text: str) -> str:
        return encodable(inert(text), self._encoding)
