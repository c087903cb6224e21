"""All parts of a review, put together for as long as it lasts."""

import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import platformdirs

from audit.records import Frame, Report
from audit.review.app import App
from audit.review.decisions import Decisions
from audit.review.desk import Desk
from audit.review.ending import Ending
from audit.review.security import Gate
from audit.review.server import ReviewServer
from audit.review.shelf import Shelf
from audit.review.sitting import Sitting
from audit.review.tiles import TileCache, Tiles
from audit.settings import Settings
from audit.version import TOOL


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """A review that is served.

    Attributes
    ----------
    folders : sequence of Path
    destination : Path or None
        Where keepers may be copied to.
    sitting : Sitting
    desk : Desk
    gate : Gate
    """

    folders: Sequence[Path]
    destination: Path | None
    sitting: Sitting
    desk: Desk
    gate: Gate

    def finished(self, report: Report, frames: Sequence[Frame]) -> None:
        """The audit is done: sets become series, and the end can be written."""
        self.sitting.finished(report)
        self.desk.open(Ending(self.folders, frames, self.destination))


@contextmanager
def serving(
    folders: Sequence[Path],
    settings: Settings,
    destination: Path | None,
    decisions: Decisions,
) -> Iterator[Review]:
    """Serve a review until the context ends.

    Parameters
    ----------
    folders : sequence of Path
    settings : Settings
    destination : Path or None
        Where keepers may be copied to.
    decisions : Decisions

    Yields
    ------
    Review
    """
    cache = settings.cache or platformdirs.user_cache_path(TOOL)
    with ExitStack() as stack:
        shelf = stack.enter_context(Shelf(settings, _say_nothing))
        joins = stack.enter_context(Shelf(settings, _say_nothing))
        tiles = stack.enter_context(Tiles(TileCache(cache), settings.bounds))
        sitting = Sitting(decisions)
        desk = Desk(sitting)
        stack.callback(desk.close)
        server = stack.enter_context(ReviewServer())
        gate = Gate(server.port)
        server.answer = App(gate, sitting, decisions, shelf, joins, tiles, desk).answer
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        stack.callback(server.shutdown)
        yield Review(
            folders=folders, destination=destination, sitting=sitting, desk=desk, gate=gate
        )


def _say_nothing(_: str) -> None:
    """What cannot be used is said by the audit, which opens the same store."""
