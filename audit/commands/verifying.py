"""``frame-audit verify``: whether files are still what they were."""

from collections import Counter
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from audit.errors import SettingsError
from audit.streams import standard_error, to_stdout
from audit.words import Words, add_screen_options

if TYPE_CHECKING:
    from audit.carry.verifying import Verified

HELP = "Hash the files below a folder again and compare with what is known of them."
EXAMPLES = """\
examples:
  frame-audit verify ~/trip
  frame-audit verify /mnt/disk/keepers
  frame-audit verify ~/trip --manifest ~/trip/other.sha256 --all

Known are the files that were measured here, and those of a manifest in the
folder. This finds damage; only a second copy of the files can undo it.
"""

CHANGED = 1
"""Exit code: some file is not what it was."""


def verify(argv: Sequence[str]) -> int:
    """Run the command; the exit code is returned."""
    words = Words("verify", "FOLDER", HELP, EXAMPLES)
    words.add_argument(
        "--manifest", metavar="FILE", help="hashes to compare with (default: the one in FOLDER)"
    )
    words.add_argument("--all", action="store_true", help="list what is unchanged, too")
    words.add_argument("--cache", metavar="DIR", help="where measurements are kept")
    add_screen_options(words)
    options, names = words.read(argv)
    if len(names) != 1:
        raise SettingsError("expected one folder, as in: frame-audit verify ~/trip")
    folder = Path(names[0])
    from audit import run
    from audit.carry import verifying
    from audit.carry.manifest import NAME, read_manifest
    from audit.report import outcome
    from audit.settings import Settings

    found = run.photographs(folder)
    manifest = folder / NAME if options.manifest is None else Path(options.manifest)
    listed = read_manifest(manifest) if options.manifest or manifest.is_file() else {}
    settings = Settings(cache=None if options.cache is None else Path(options.cache))
    done: list[Verified] = []
    was_stopped = False
    with standard_error(options) as messages:
        real, stored = run.known_hashes(folder, settings, warn=messages.warn)
        known = verifying.known_hashes(real, stored, listed)
        messages.start_bytes(verifying.bytes_to_hash(real, known))
        try:
            for each in verifying.verify(real, found, known, advance=messages.advance_by):
                done.append(each)  # noqa: PERF402  # Ctrl-C keeps what is done
        except KeyboardInterrupt:
            was_stopped = True
    show = partial(_show, done, everything=options.all, colour=not options.no_color)
    to_stdout(show)
    if was_stopped:
        return outcome.INTERRUPTED
    return _exit_code(done)


def _exit_code(done: "Sequence[Verified]") -> int:
    from audit.report import outcome

    states = {each.state for each in done}
    if states & {"changed", "missing"}:
        return CHANGED
    return outcome.SOME_UNREAD if "unreadable" in states else outcome.DONE


def _show(done: "Sequence[Verified]", out: TextIO, *, everything: bool, colour: bool) -> None:
    from audit.carry.verifying import MANIFEST, STORE
    from audit.report.screen import Screen
    from audit.report.units import counted

    meant = {STORE: "when it was measured", MANIFEST: "in the manifest"}
    screen = Screen(out, colour=colour)
    for each in done:
        if everything or each.state != "unchanged":
            by = " and ".join(meant[source] for source in each.by)
            reason = each.reason or (f"known from {by}" if by else "no hash of it is known")
            screen.paragraph(f"{each.path}: {reason}", label=f"{each.state:<11}")
    sums = Counter(each.state for each in done)
    screen.paragraph(
        f"{counted(len(done), 'file')}: {sums['unchanged']} unchanged, {sums['changed']} changed, "
        f"{sums['missing']} missing, {sums['unreadable']} unreadable, {sums['unknown']} unknown"
    )
    screen.paragraph("This finds damage and undoes none: only a second copy is a backup.")
