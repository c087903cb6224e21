"""The trip report as JSON, format 1, and the JSON Schema of it.

``python -m audit.report.trip_json`` writes the schema to stdout; ``docs/trip.schema.json`` is that
output. History of the format: 1, the first.
"""

import sys
from typing import Any, TextIO

import msgspec

from audit.report.json_file import json_text, schema_of
from audit.trip_records import TripReport


def write(trip: TripReport, out: TextIO) -> None:
    """Write a trip report as indented JSON that ends with a newline."""
    out.write(json_text(trip, indent=2) + "\n")


def schema() -> dict[str, Any]:
    """Describe the JSON of a trip report (JSON Schema, draft 2020-12)."""
    return schema_of(TripReport, "frame-audit trip report, format 1")


def schema_text() -> str:
    """Give the schema as it stands in ``docs/trip.schema.json``."""
    return msgspec.json.format(msgspec.json.encode(schema()), indent=2).decode() + "\n"


if __name__ == "__main__":
    sys.stdout.write(schema_text())
