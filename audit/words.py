"""The words of a command: its options, and what they mean as settings."""

import argparse
import difflib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from audit.errors import SettingsError
from audit.report.text import inert

if TYPE_CHECKING:
    from audit.settings import Settings

STDOUT = "-"
"""As the name of a file: the standard output."""


class Words(argparse.ArgumentParser):
    """Options of one command; the words between them are gathered apart, in any order."""

    def __init__(self, command: str, names: str, description: str, examples: str) -> None:
        super().__init__(
            prog=f"frame-audit {command}",
            usage=" ".join(part for part in ("frame-audit", command, names, "[options]") if part),
            description=description,
            epilog=examples,
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )

    def error(self, message: str) -> NoReturn:
        """Hand a misuse to the one place that reports it."""
        raise SettingsError(f"{message} (see {self.prog} --help)")

    def read(self, argv: Sequence[str]) -> tuple[argparse.Namespace, list[str]]:
        """Split the words of a command into options and names.

        Raises
        ------
        SettingsError
            If an option is unknown or lacks its value.
        """
        words = list(argv)
        end = words.index("--") if "--" in words else len(words)
        options, names = self.parse_known_args(words[:end])
        for name in names:
            if name.startswith("-") and name != STDOUT:
                known = [text for action in self._actions for text in action.option_strings]
                option = name.split("=")[0]
                self.error(f"unknown option {inert(option)}{near_miss(option, known)}")
        return options, names + words[end + 1 :]


def add_judging_options(words: Words) -> None:
    """Add the options that decide what a frame is held against."""
    judging = words.add_argument_group("what a frame is held against")
    add_print_options(judging)
    judging.add_argument(
        "--repeats",
        metavar="WHAT",
        help="repeats that are not the best one: keep, look-again (default) or reject",
    )


def add_print_options(words: argparse._ActionsContainer) -> None:
    """Add the options of the print, and of the limits that go with it."""
    words.add_argument(
        "--print", metavar="SIZE", help="the print you have in mind: 90x60cm or 36x24in"
    )
    words.add_argument(
        "--viewing", metavar="DISTANCE", help="from where it is seen (default: 50cm)"
    )
    words.add_argument(
        "--limits", metavar="FILE.toml", help="limits of your own; frame-audit limits prints all"
    )


def add_measuring_options(words: Words) -> None:
    """Add the options of the run itself."""
    measuring = words.add_argument_group("how the run goes")
    measuring.add_argument(
        "--jobs", metavar="N", type=int, help="worker processes (default: one a core)"
    )
    measuring.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="measure on the workers of a dask scheduler that see the same files (HOST:PORT)",
    )
    measuring.add_argument(
        "--cache", metavar="DIR", help="where measurements are kept (default: your cache folder)"
    )
    measuring.add_argument("--fresh", action="store_true", help="measure everything again")
    add_screen_options(measuring)


def add_screen_options(words: argparse._ActionsContainer) -> None:
    """Add the options of what is shown on a terminal."""
    words.add_argument("--no-color", action="store_true", help="no colours, as with NO_COLOR")
    words.add_argument("--quiet", action="store_true", help="neither progress nor warnings")


def settings_of(options: argparse.Namespace) -> "Settings":
    """Turn the options of judging and measuring into settings.

    Raises
    ------
    SettingsError
        If a value makes no sense.
    """
    import msgspec

    from audit.settings import (
        Settings,
        parse_length_cm,
        parse_print,
        parse_repeats,
        read_settings_file,
    )

    settings = Settings() if options.limits is None else read_settings_file(Path(options.limits))
    if options.jobs is not None and options.jobs < 1:
        raise SettingsError(f"--jobs: expected 1 or more, found {options.jobs}")
    changes: dict[str, object] = {
        "fresh": options.fresh,
        "jobs": options.jobs,
        "quick": getattr(options, "quick", False),
    }
    if options.cache is not None:
        changes["cache"] = Path(options.cache)
    if options.cluster is not None:
        from audit.cluster import checked_address

        changes["cluster"] = checked_address(options.cluster)
    if options.print is not None:
        changes["print_size"] = parse_print(options.print)
    if options.viewing is not None:
        changes["viewing_cm"] = parse_length_cm(options.viewing)
    if options.repeats is not None:
        changes["repeats"] = parse_repeats(options.repeats)
    return msgspec.structs.replace(settings, **changes)


def near_miss(word: str, known: Iterable[str]) -> str:
    """Give the known word that was probably meant, as the end of a message."""
    close = difflib.get_close_matches(word, list(known), n=1)
    return f"; did you mean {close[0]}?" if close else ""
