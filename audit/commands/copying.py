"""``frame-audit copy``: the frames worth keeping, carried to another disk and verified there."""

from collections import Counter
from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TextIO, get_args

from audit.errors import SettingsError
from audit.streams import standard_error, to_stdout
from audit.words import (
    Words,
    add_judging_options,
    add_measuring_options,
    near_miss,
    settings_of,
)

if TYPE_CHECKING:
    from audit.carry.copying import Copied, CopyItem
    from audit.report.progress import StandardError

HELP = "Copy frames with companions and sidecars; each copy is read back and verified."
EXAMPLES = """\
examples:
  frame-audit copy ~/trip /mnt/disk/keepers --dry-run
  frame-audit copy ~/trip /mnt/disk/kept --verdict keeper --verdict look-again
  frame-audit copy ~/trip /mnt/disk/keepers --whole-series
  cd /mnt/disk/keepers && sha256sum -c frame-audit.sha256

Nothing is overwritten, nothing deleted. Stop with Ctrl-C at any time: the same
command goes on from there. A copy of the keepers is no backup: copy the whole
card twice before you format it.
"""

NO_BACKUP = (
    "A copy of the frames worth keeping is no backup: copy the whole card twice before you format "
    "it."
)


def copy(argv: Sequence[str]) -> int:
    """Run the command; the exit code is returned."""
    options, names = _words().read(argv)
    if len(names) < 2:
        raise SettingsError("expected a folder and a destination, as in: frame-audit copy ~/trip D")
    folders, destination = [Path(name) for name in names[:-1]], Path(names[-1])
    refuse_unfit_destination(destination, folders)
    verdicts = _verdicts(options.verdict)
    settings = settings_of(options)
    from audit import run
    from audit.carry.chosen import chosen, items_of, torn_apart
    from audit.carry.layout import Layout
    from audit.report import outcome

    layout = Layout(folders)
    with standard_error(options) as messages:
        with run.open_audit(folders, settings, progress=messages, warn=messages.warn) as audit:
            if audit.report.interrupted:
                messages.warn("stopped before the frames were judged: nothing is copied")
                return outcome.INTERRUPTED
            rows = chosen(audit.report, verdicts, whole_series=options.whole_series)
            for sentence in torn_apart(audit.report, rows):
                messages.warn(f"{sentence}; --whole-series takes them all")
            items = items_of(rows, audit.frames, audit.frame_of, layout)
        if options.dry_run:
            to_stdout(partial(_show_plan, items, destination, colour=not options.no_color))
            return outcome.DONE
        done, was_stopped = _copied(items, destination, messages)
    to_stdout(partial(_show, done, len(items), destination, colour=not options.no_color))
    if was_stopped:
        return outcome.INTERRUPTED
    is_whole = len(done) == len(items) and all(each.state != "left" for each in done)
    return outcome.DONE if is_whole else outcome.SOME_UNREAD


def _words() -> Words:
    words = Words("copy", "FOLDER... DESTINATION", HELP, EXAMPLES)
    choice = words.add_argument_group("what is copied")
    choice.add_argument(
        "--verdict",
        metavar="VERDICT",
        action="append",
        default=[],
        help="frames of this verdict (default: keeper); may be repeated",
    )
    choice.add_argument(
        "--whole-series",
        action="store_true",
        help="of brackets and panoramas all frames, if any of them is copied",
    )
    choice.add_argument("--dry-run", action="store_true", help="list the files, copy nothing")
    add_judging_options(words)
    add_measuring_options(words)
    return words


def _verdicts(words: Iterable[str]) -> frozenset[str]:
    from audit.records import Verdict

    known = get_args(Verdict)
    for word in words:
        if word not in known:
            raise SettingsError(
                f"--verdict: expected one of {', '.join(known)}, found {word!r}"
                f"{near_miss(word, known)}"
            )
    return frozenset(words) or frozenset(("keeper",))


def refuse_unfit_destination(destination: Path, folders: Sequence[Path]) -> None:
    """Refuse a destination that is a file, or lies among the originals.

    Raises
    ------
    SettingsError
        If it does.
    """
    if destination.exists() and not destination.is_dir():
        raise SettingsError(f"{destination}: expected a folder to copy to, found a file")
    for folder in folders:
        if destination.resolve().is_relative_to(folder.resolve()):
            raise SettingsError(
                f"{destination}: expected a folder outside the audited ones, found it in {folder}"
            )


# ---------------------------------------------------------------- what is copied


def _copied(
    items: "Sequence[CopyItem]", destination: Path, messages: "StandardError"
) -> "tuple[list[Copied], bool]":
    """Copy, whatever ends it, and leave a manifest; true if Ctrl-C ended it.

    Raises
    ------
    OutputError
        If the destination cannot be written, or has too little room.
    """
    from audit.carry.chosen import copied

    done: list[Copied] = []
    messages.start_bytes(sum(item.size_bytes for item in items))
    try:
        for each in copied(items, destination, advance=messages.advance_by):
            done.append(each)  # noqa: PERF402  # Ctrl-C keeps what is done
    except KeyboardInterrupt:
        return done, True
    finally:
        messages.finish()
    return done, False


# ---------------------------------------------------------------- what is shown


def _show_plan(
    items: "Sequence[CopyItem]", destination: Path, out: TextIO, *, colour: bool
) -> None:
    from audit.report.screen import Screen
    from audit.report.units import counted

    screen = Screen(out, colour=colour)
    for item in items:
        screen.line(f"{item.source} -> {destination / item.place}")
    size = sum(item.size_bytes for item in items) / 1e6
    screen.paragraph(f"{counted(len(items), 'file')}, {size:.1f} MB would be copied or compared")


def _show(
    done: "Sequence[Copied]", wanted: int, destination: Path, out: TextIO, *, colour: bool
) -> None:
    from audit.carry.manifest import NAME
    from audit.report.screen import Screen
    from audit.report.units import counted

    screen = Screen(out, colour=colour)
    for copied in done:
        if copied.state == "left":
            screen.paragraph(f"{copied.reason}", label=f"not copied: {copied.item.source}: ")
    sums = Counter(copied.state for copied in done)
    size = sum(each.item.size_bytes for each in done if each.state == "copied") / 1e6
    rest = wanted - len(done)
    screen.paragraph(
        f"{counted(sums['copied'], 'file')} copied and verified ({size:.1f} MB), "
        f"{sums['there']} there already and the same, {sums['left']} not copied"
        + (f", {rest} not reached" if rest else "")
    )
    screen.paragraph(f"{destination / NAME}", label="manifest: ")
    screen.paragraph(NO_BACKUP)
