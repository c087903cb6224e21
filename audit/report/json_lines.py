"""The report as JSON Lines: one JSON object a line, while the run goes on (``docs/json-lines.md``).

A frame comes twice: as a first look when it is measured, judged by itself alone, and at the end as
it stands in the report, since its series and the dust on the sensor are known only then.
"""

from collections.abc import Callable, Iterable
from typing import Any

import msgspec
from msgspec.structs import asdict

from audit.records import AuditedFrame, Report
from audit.report.json_file import json_text

START = b'{"format":1,"line":'
"""By this an older output of ours is known."""


APART = frozenset(("format", "frames", "series", "dust", "skipped"))
"""Parts of the report that have lines of their own; the others stand in the last line."""


class LineWriter:
    """Writes lines as a run goes on.

    Parameters
    ----------
    emit : callable
        Gets each line with its end, and hands it on at once.
    """

    def __init__(self, emit: Callable[[str], None]) -> None:
        self._emit = emit

    def first_look(self, frame: AuditedFrame) -> None:
        """Write a frame that was just measured, judged by itself."""
        self._line("first-look", frame=frame)

    def report(self, report: Report) -> None:
        """Write the whole report; the last line says that it is whole."""
        self._lines("frame", report.frames)
        self._lines("series", report.series)
        self._lines("dust", report.dust)
        self._lines("skipped", report.skipped)
        rest = {key: value for key, value in asdict(report).items() if key not in APART}
        self._line("end", **rest)

    def _lines(self, kind: str, records: Iterable[msgspec.Struct]) -> None:
        for record in records:
            self._line(kind, **{kind: record})

    def _line(self, kind: str, **parts: Any) -> None:
        self._emit(json_text({"format": 1, "line": kind, **parts}) + "\n")
