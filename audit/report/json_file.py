"""The report as JSON, contract format 1, and the JSON Schema of it.

``python -m audit.report.json_file`` writes the schema to stdout; ``docs/report.schema.json`` is
that output. History of the format: 1, the first.
"""

import re
import sys
from typing import Any, TextIO

import msgspec

from audit.records import Report
from audit.report.text import without_surrogates

SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"

INDENT = "  "

_NEEDS_NUMBER = re.compile(r"[\x7f-\U0010ffff]")
"""Characters that JSON may hold as they are, but a terminal might obey."""


def write(report: Report, out: TextIO) -> None:
    """Write the report as indented JSON that ends with a newline.

    Part by part: the whole text of ten thousand frames takes a hundred megabytes, several times
    over while it is made.
    """
    before = "{"
    for key in report.__struct_fields__:
        out.write(f'{before}\n{INDENT}"{key}": ')
        _write_value(getattr(report, key), out)
        before = ","
    out.write("\n}\n")


def _write_value(value: Any, out: TextIO) -> None:
    """Write one key's value; a list of records entry by entry."""
    if not (isinstance(value, tuple) and value):
        out.write(_indented(value, INDENT))
        return
    before = "["
    for entry in value:
        out.write(f"{before}\n{INDENT * 2}{_indented(entry, INDENT * 2)}")
        before = ","
    out.write(f"\n{INDENT}]")


def _indented(value: Any, margin: str) -> str:
    """Indented JSON whose further lines start at a margin; no text in it has a bare line end."""
    return json_text(value, indent=len(INDENT)).replace("\n", f"\n{margin}")


def json_text(value: Any, *, indent: int | None = None) -> str:
    r"""Give a record as JSON, on one line unless it is indented.

    Unknown is ``null``; NaN and infinity become ``null`` too. Characters that could steer a
    terminal are escaped, which JSON readers undo. Lone surrogates, which no reader accepts, are
    shown as ``\xNN`` or ``\uNNNN``.
    """
    try:
        packed = msgspec.json.encode(value)
    except UnicodeEncodeError:
        packed = msgspec.json.encode(_cleaned(msgspec.to_builtins(value)))
    if indent is not None:
        packed = msgspec.json.format(packed, indent=indent)
    return _NEEDS_NUMBER.sub(_escaped, packed.decode())


def schema() -> dict[str, Any]:
    """Describe the JSON of a report (JSON Schema, draft 2020-12)."""
    return schema_of(Report, "frame-audit report, format 1")


def schema_of(record: type[msgspec.Struct], title: str) -> dict[str, Any]:
    """Describe the JSON of a record (JSON Schema, draft 2020-12).

    Every key that this version writes is required; further keys may come, so none is forbidden.
    """
    described = msgspec.json.schema(record)
    for part in described["$defs"].values():
        if "properties" in part:
            part["required"] = list(part["properties"])
    return {"$schema": SCHEMA_DIALECT, "title": title, **described}


def schema_text() -> str:
    """Give the schema as it stands in ``docs/report.schema.json``."""
    return msgspec.json.format(msgspec.json.encode(schema()), indent=2).decode() + "\n"


def _cleaned(value: Any) -> Any:
    """Rewrite every text in a tree of plain objects without lone surrogates."""
    if isinstance(value, str):
        return without_surrogates(value)
    if isinstance(value, dict):
        return {_cleaned(key): _cleaned(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_cleaned(part) for part in value]
    return value


def _escaped(match: re.Match[str]) -> str:
    character = match[0]
    if character.isprintable():
        return character
    units = character.encode("utf-16-be")
    return "".join(f"\\u{units[at]:02x}{units[at + 1]:02x}" for at in range(0, len(units), 2))


if __name__ == "__main__":
    sys.stdout.write(schema_text())
