"""Progress and warnings: only where they are wanted, and never obeying a file's name."""

import io
import re

import pytest

from audit.report.progress import StandardError


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def run_with(messages: StandardError) -> None:
    messages.start(3)
    messages.advance("day1/\x1b[2JVK50_0101.dng")
    messages.warn("the store \u202eis full")
    messages.finish()
    messages.finish()


def test_a_pipe_gets_warnings_but_no_bar() -> None:
    out = io.StringIO()
    run_with(StandardError(out))
    assert out.getvalue() == "frame-audit: warning: the store \\u202eis full\n"


def test_quiet_is_silent() -> None:
    out = Terminal()
    run_with(StandardError(out, quiet=True))
    assert out.getvalue() == ""


def test_a_terminal_gets_the_count_and_the_inert_name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "120")
    out = Terminal()
    run_with(StandardError(out))
    text = out.getvalue()
    assert "1/3" in re.sub(r"\x1b\[[\d;?]*[a-zA-Z]", "", text)
    assert "\\x1b[2J" in re.sub(r"\x1b\[[\d;]*m", "", text)
    assert "\x1b[2J" not in text


def test_bytes_are_shown_as_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "120")
    out = Terminal()
    messages = StandardError(out)
    messages.start_bytes(3_000_000)
    messages.advance_by(1_500_000, "VK50_0101.dng")
    messages.finish()
    assert "1.5/3.0 MB" in re.sub(r"\x1b\[[\d;?]*[a-zA-Z]", "", out.getvalue())
