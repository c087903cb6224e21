"""``frame-audit sidecars``: what was measured, beside the frames, for other programs."""

import argparse
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
    from audit.carry.layout import Layout
    from audit.carry.sidecars import Sidecar, SidecarOrders
    from audit.records import Verdict
    from audit.report.screen import Screen
    from audit.run import Audit

HELP = "Write what was measured into XMP sidecars. Originals are only read."
EXAMPLES = """\
examples:
  frame-audit sidecars ~/trip --dry-run
  frame-audit sidecars ~/trip --rating keeper=4 --rating look-again=2
  frame-audit sidecars ~/trip --rating keeper=3 --rating reject=-1
  frame-audit sidecars ~/trip --keyword keeper=print --keyword dust=retouch
  frame-audit sidecars /media/card --into ~/card-sidecars

Everything else in a sidecar stays as it is, byte for byte. A rating or keyword
that somebody else gave stays, too. Running it twice changes nothing.
"""

LOWEST, HIGHEST = -1, 5
"""xmp:Rating: -1 rejected, 0 unrated, up to 5 (ISO 16684-1:2011, 8.4, table 5)."""


def sidecars(argv: Sequence[str]) -> int:
    """Run the command; the exit code is returned."""
    options, names = _words().read(argv)
    if not names:
        raise SettingsError("expected a folder, as in: frame-audit sidecars ~/trip")
    orders = _orders(options)
    settings = settings_of(options)
    folders = [Path(name) for name in names]
    from audit import run
    from audit.carry.layout import Layout
    from audit.report import outcome

    layout = Layout(folders)
    with (
        standard_error(options) as messages,
        run.open_audit(folders, settings, progress=messages, warn=messages.warn) as audit,
    ):
        if audit.report.interrupted:
            messages.warn("stopped before the frames were judged: no sidecar is written")
            return outcome.INTERRUPTED
        done = _carried_out(audit, orders, layout, is_dry=options.dry_run)
    show = partial(_show, done, is_dry=options.dry_run, everything=options.all)
    to_stdout(partial(show, colour=not options.no_color))
    return outcome.SOME_UNREAD if any(each.state == "left" for each in done) else outcome.DONE


def _words() -> Words:
    words = Words("sidecars", "FOLDER...", HELP, EXAMPLES)
    content = words.add_argument_group("what a sidecar says, beside the measures")
    content.add_argument(
        "--rating",
        metavar="VERDICT=N",
        action="append",
        default=[],
        help="rating of a verdict, -1 (rejected) to 5; may be repeated",
    )
    content.add_argument(
        "--replace-ratings", action="store_true", help="also where somebody else gave a rating"
    )
    content.add_argument(
        "--keyword",
        metavar="WHAT=WORD",
        action="append",
        default=[],
        help="keyword of a verdict or a kind of finding; may be repeated",
    )
    place = words.add_argument_group("where it is written")
    place.add_argument(
        "--naming",
        choices=("stem", "full"),
        help="new ones: NAME.xmp (stem, the default) or NAME.EXT.xmp (full)",
    )
    place.add_argument(
        "--into", metavar="DIR", help="into this folder, where the card is read-only"
    )
    place.add_argument("--dry-run", action="store_true", help="show the changes, write nothing")
    place.add_argument("--all", action="store_true", help="list what stays as it is, too")
    add_judging_options(words)
    add_measuring_options(words)
    return words


def _orders(options: argparse.Namespace) -> "SidecarOrders":
    """Turn the words into orders.

    Raises
    ------
    SettingsError
        If a mapping makes no sense.
    """
    from audit.carry.sidecars import SidecarOrders
    from audit.records import FindingCode

    ratings = ratings_of(options.rating)
    keywords: dict[str, tuple[str, ...]] = {}
    for text in options.keyword:
        mark, word = _pair("--keyword", text, [*_rated(), *get_args(FindingCode)])
        keywords[mark] = (*keywords.get(mark, ()), word)
    if options.replace_ratings and not ratings:
        raise SettingsError("--replace-ratings: expected --rating with it, found none")
    into = None if options.into is None else Path(options.into)
    if into is not None and into.exists() and not into.is_dir():
        raise SettingsError(f"{into}: expected a folder for the sidecars, found a file")
    return SidecarOrders(
        ratings=ratings,
        keywords=keywords,
        replaces_ratings=options.replace_ratings,
        naming=options.naming or "stem",
        is_told=options.naming is not None,
        into=into,
    )


def ratings_of(texts: Iterable[str]) -> "dict[Verdict, int]":
    """Read ``keeper=4`` and the like.

    Raises
    ------
    SettingsError
        If one makes no sense.
    """
    verdicts, ratings = _rated(), {}
    for text in texts:
        verdict, number = _pair("--rating", text, verdicts)
        if number not in map(str, range(LOWEST, HIGHEST + 1)):
            raise SettingsError(f"--rating: expected a number from -1 to 5, found {number!r}")
        ratings[verdicts[verdict]] = int(number)
    return ratings


def _rated() -> "dict[str, Verdict]":
    """Verdicts that can have a rating."""
    from audit.records import Verdict

    return {verdict: verdict for verdict in get_args(Verdict) if verdict != "unread"}


def _pair(option: str, text: str, known: Iterable[str]) -> tuple[str, str]:
    """Split ``keeper=4``."""
    name, equals, value = text.partition("=")
    if not equals or not value.strip():
        raise SettingsError(f"{option}: expected such as keeper=4, found {text!r}")
    names = list(known)
    if name not in names:
        close = near_miss(name, names)
        raise SettingsError(f"{option}: expected one of {', '.join(names)}, found {name!r}{close}")
    return name, value.strip()


def _carried_out(
    audit: "Audit", orders: "SidecarOrders", layout: "Layout", *, is_dry: bool
) -> "list[Sidecar]":
    from audit.carry.chosen import sidecar_writer, sidecars_of

    writer = sidecar_writer(orders, audit.frames, layout)
    planned = sidecars_of(writer, audit.report.frames, audit.frame_of)
    return [sidecar if is_dry else writer.write(sidecar) for sidecar in planned]


# ---------------------------------------------------------------- what is shown


def _show(
    done: "Sequence[Sidecar]", out: TextIO, *, is_dry: bool, everything: bool, colour: bool
) -> None:
    from audit.report.screen import Screen
    from audit.report.units import counted

    screen = Screen(out, colour=colour)
    for sidecar in done:
        is_news = is_dry and bool(sidecar.changes)
        is_left = sidecar.state == "left" and not sidecar.is_shut
        if everything or is_news or is_left or sidecar.kept_rating is not None:
            _show_one(screen, sidecar, is_dry=is_dry)
    shut = Counter((str(s.path.parent), s.reason) for s in done if s.is_shut and s.path is not None)
    for (folder, reason), number in shut.items():
        screen.paragraph(
            f"{folder}: {counted(number, 'sidecar')} {reason}; --into DIR writes them elsewhere"
        )
    sums = Counter(sidecar.state for sidecar in done)
    would = "would be " if is_dry else ""
    screen.paragraph(
        f"{counted(len(done), 'frame')}: {sums['new']} {would}new, {sums['changed']} "
        f"{would}changed, {sums['unchanged']} unchanged, {sums['left']} left as they are"
    )


def _show_one(screen: "Screen", sidecar: "Sidecar", *, is_dry: bool) -> None:
    name = "" if sidecar.path is None else f" -> {sidecar.path.name}"
    screen.line((f"{sidecar.file}{name}", "bold"), f"  {sidecar.state}")
    if sidecar.reason is not None:
        screen.paragraph(sidecar.reason, indent=4)
    if sidecar.kept_rating is not None:
        screen.paragraph(f"keeps the rating that it has: {sidecar.kept_rating}", indent=4)
    for change in sidecar.changes if is_dry else ():
        screen.line(f"    {change}")
