"""The JSON is the published contract, whatever the files hold."""

import io
import json
import math
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.records import Report
from audit.report import json_file

PUBLISHED = Path(__file__).parents[2] / "docs" / "report.schema.json"
VALIDATOR = jsonschema.Draft202012Validator(json.loads(PUBLISHED.read_text(encoding="utf-8")))


def written(report: Report) -> str:
    out = io.StringIO()
    json_file.write(report, out)
    return out.getvalue()


def strictly_read(text: str) -> Any:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    return json.loads(text, parse_constant=refuse)


def test_the_published_schema_is_what_the_records_give() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "audit.report.json_file"], capture_output=True, check=True
    )
    assert PUBLISHED.read_bytes() == done.stdout == json_file.schema_text().encode()


def test_the_published_schema_is_a_sound_schema() -> None:
    """Checked by the metaschema of JSON Schema, draft 2020-12."""
    jsonschema.Draft202012Validator.check_schema(json_file.schema())


def test_a_report_with_every_state_validates(made_report: Report) -> None:
    text = written(made_report)
    VALIDATOR.validate(strictly_read(text))
    assert text.endswith("}\n")
    assert text.startswith('{\n  "format": 1,')


@pytest.mark.parametrize("key", ["frames", "counts", "settings", "tool", "dust", "series"])
def test_a_report_that_lacks_a_promised_key_does_not_validate(
    made_report: Report, key: str
) -> None:
    tree = strictly_read(written(made_report))
    del tree[key]
    assert not VALIDATOR.is_valid(tree)


def test_a_wrong_unit_or_word_does_not_validate(made_report: Report) -> None:
    tree = strictly_read(written(made_report))
    tree["frames"][0]["clipping"]["highlight_share"]["any"] = 42
    assert not VALIDATOR.is_valid(tree)
    tree = strictly_read(written(made_report))
    tree["frames"][0]["verdict"] = "superb"
    assert not VALIDATOR.is_valid(tree)


def test_what_goes_in_comes_out(made_report: Report) -> None:
    assert msgspec.json.decode(written(made_report), type=Report) == made_report


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_not_a_number_becomes_null(made_report: Report, value: float) -> None:
    frame = made_report.frames[0]
    sharpness = msgspec.structs.replace(frame.sharpness, energy=value)
    odd = msgspec.structs.replace(frame, sharpness=sharpness)
    tree = strictly_read(written(msgspec.structs.replace(made_report, frames=(odd,))))
    assert tree["frames"][0]["sharpness"]["energy"] is None


@settings(max_examples=200, deadline=None)
@given(name=st.text(st.characters(exclude_categories=()), min_size=1, max_size=60))
def test_hostile_text_comes_back_whole_and_steers_no_terminal(
    renamed_report: Callable[[str], Report], name: str
) -> None:
    text = written(renamed_report(name))
    text.encode()
    found = {unicodedata.category(character) for character in text.replace("\n", "")}
    assert not found & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    tree = strictly_read(text)
    VALIDATOR.validate(tree)
    if not any("\ud800" <= each <= "\udfff" for each in name):
        assert tree["frames"][0]["file"] == name


def test_a_lone_surrogate_is_shown_by_its_byte(renamed_report: Callable[[str], Report]) -> None:
    tree = strictly_read(written(renamed_report("caf\udce9.jpg")))
    assert tree["frames"][0]["file"] == r"caf\xe9.jpg"
