"""A damaged file is a finding, other unread files are not."""

import pytest

from audit.diagnose import damage
from audit.records import State, Unread


def test_a_damaged_file_is_named() -> None:
    found = damage(Unread(state="damaged", code="damaged", message="a.jpg: cut short"))

    assert [(each.kind, each.severity, each.value) for each in found] == [
        ("damaged", "fault", None)
    ]
    assert "a.jpg: cut short" in found[0].message


@pytest.mark.parametrize("state", ["unsupported", "too-large", "timed-out", "crashed"])
def test_other_unread_files_are_not(state: State) -> None:
    assert damage(Unread(state=state, code=state, message="")) == ()
