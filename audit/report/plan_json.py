"""A plan as JSON, format 1, and the JSON Schema of it.

``python -m audit.report.plan_json`` writes the schema to stdout; ``docs/plan.schema.json`` is that
output. History of the format: 1, the first.
"""

import sys
from typing import Any, TextIO

import msgspec

from audit.plan_records import Plan
from audit.report.json_file import json_text, schema_of


def write(plan: Plan, out: TextIO) -> None:
    """Write a plan as indented JSON that ends with a newline."""
    out.write(json_text(plan, indent=2) + "\n")


def schema() -> dict[str, Any]:
    """Describe the JSON of a plan (JSON Schema, draft 2020-12)."""
    return schema_of(Plan, "frame-audit plan, format 1")


def schema_text() -> str:
    """Give the schema as it stands in ``docs/plan.schema.json``."""
    return msgspec.json.format(msgspec.json.encode(schema()), indent=2).decode() + "\n"


if __name__ == "__main__":
    sys.stdout.write(schema_text())
