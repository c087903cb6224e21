"""The ranked table on the terminal: what holds in print, what does not, why, and what to do."""

import shlex
from collections.abc import Callable
from dataclasses import dataclass
from typing import TextIO

from audit.records import AuditedFrame, DustSpot, Report, Verdict
from audit.report.digest import (
    AT_LEAST,
    SEVERITY_WORDS,
    VERDICT_WORDS,
    causes,
    edge_words,
    excused,
    exposure_words,
    first_look_words,
    held_against,
    kind_words,
    lens_remarks,
    plain_reason,
    series_words,
    standing,
    target_share,
    unread,
    verdict_words,
    weighty,
)
from audit.report.screen import COMMAND, PLAIN, QUIET, STRONG, Screen
from audit.report.text import inert
from audit.report.units import (
    CANNOT_TELL,
    counted,
    number,
    percent,
    sides_cm,
    sides_in,
)

GAP = "  "
ROWS_OF_A_VERDICT = 25
"""Rows of one verdict in the short list: about one screen (project's choice)."""
SERIES_SHOWN = 25
NOTES_OF_A_SERIES = 2
"""Series in the short list, and sentences on each (project's choice)."""
NARROWEST_FILE = 16
USUAL_VIEWING_CM = 50.0
USUAL_REPEATS = "look-again"
"""Defaults of ``--viewing`` and ``--repeats``; a suggested command leaves them out."""
SENTENCE_INDENT = 6

ROW_STYLES: dict[Verdict, str] = {"keeper": STRONG, "look-again": PLAIN, "reject": QUIET}

CARD_NOTES = 8
"""Notes on the files as a whole in the short list (project's choice)."""

NO_BACKUP = (
    "This is no backup and no proof: format a card only when two copies of it were read back whole."
)
TEST_PRINT = (
    "A verdict is arithmetic on one file. Before you order the large print, "
    "make a test print of a part of it at full size."
)
LEGEND = (
    "print: largest print that holds; edge: 10-90 % edge width in pixels, smaller is sharper; "
    "clipped: share of the frame whose lights are lost in any colour."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of figures and the width of terminal from which it is shown."""

    heading: str
    cell: Callable[[AuditedFrame], str]
    from_width: int = 0


def write(
    report: Report,
    out: TextIO,
    *,
    width: int | None = None,
    colour: bool = True,
    everything: bool = False,
) -> None:
    """Write the ranked table, the unread frames and the summary.

    Parameters
    ----------
    report : Report
        The answer of a run.
    out : TextIO
        A terminal, or a file that stands for one.
    width : int, optional
        Columns; by default what the terminal has.
    colour : bool
        Whether a terminal gets colours.
    everything : bool
        Every frame, note and skipped file, instead of the first frames of each verdict.
    """
    screen = Screen(out, width=width, colour=colour)
    _write_rows(screen, report, everything=everything)
    _write_unread(screen, report)
    _write_series(screen, report, everything=everything)
    _write_card(screen, report, everything=everything)
    _write_skipped(screen, report, everything=everything)
    _write_summary(screen, report)


def _print_cm(frame: AuditedFrame) -> str:
    return _print_sides(frame, sides_cm)


def _print_in(frame: AuditedFrame) -> str:
    return _print_sides(frame, sides_in)


def _print_sides(frame: AuditedFrame, sides: Callable[[float, float], str]) -> str:
    if frame.print is None:
        return CANNOT_TELL
    bound = "" if frame.print.at_most_long_cm is None else AT_LEAST
    return bound + sides(frame.print.long_cm, frame.print.short_cm)


def _of_target(frame: AuditedFrame) -> str:
    share = target_share(frame)
    if share is None:
        return CANNOT_TELL
    bound = "" if frame.print is None or frame.print.at_most_long_cm is None else AT_LEAST
    return bound + (percent(share) if share < 1 else f"{int(share * 100)} %")


def _edge(frame: AuditedFrame) -> str:
    return edge_words(frame) or CANNOT_TELL


def _clipped(frame: AuditedFrame) -> str:
    return CANNOT_TELL if frame.clipping is None else percent(frame.clipping.highlight_share.any)


def _blocked(frame: AuditedFrame) -> str:
    return CANNOT_TELL if frame.clipping is None else percent(frame.clipping.shadow_share.any)


FIGURES = (
    Column(heading="print cm", cell=_print_cm),
    Column(heading="print in", cell=_print_in, from_width=96),
    Column(heading="of target", cell=_of_target, from_width=108),
    Column(heading="edge px", cell=_edge, from_width=64),
    Column(heading="clipped", cell=_clipped, from_width=72),
    Column(heading="blocked", cell=_blocked, from_width=118),
    Column(heading="exposure", cell=exposure_words, from_width=136),
)


def _write_rows(screen: Screen, report: Report, *, everything: bool) -> None:
    measured = [frame for frame in report.frames if frame.state == "measured"]
    if not measured:
        return
    columns = [column for column in FIGURES if screen.width >= column.from_width]
    rank_width = max(len("rank"), len(str(len(measured))))
    shown_words = (*VERDICT_WORDS.values(), *(verdict_words(frame) for frame in measured))
    verdict_width = max(len(words) for words in shown_words)
    widths = [
        max(screen.cells(text) for text in (column.heading, *map(column.cell, measured)))
        for column in columns
    ]
    taken = rank_width + verdict_width + sum(widths) + len(GAP) * (len(columns) + 2)
    names = ("file", *(_name(report, frame) for frame in measured))
    longest = max(screen.cells(name) for name in names)
    file_width = min(longest, max(screen.width - taken, NARROWEST_FILE))

    def row(rank: str, file: str, verdict: str, cells: list[str]) -> str:
        figures = (
            screen.fitted(cell, size, right=True) for cell, size in zip(cells, widths, strict=True)
        )
        return GAP.join(
            (
                screen.fitted(rank, rank_width, right=True),
                screen.fitted(screen.shortened(file, file_width), file_width),
                screen.fitted(verdict, verdict_width),
                *figures,
            )
        )

    screen.line((row("rank", "file", "verdict", [column.heading for column in columns]), QUIET))
    for verdict, style in ROW_STYLES.items():
        frames = [frame for frame in measured if frame.verdict == verdict]
        shown = frames if everything else frames[:ROWS_OF_A_VERDICT]
        for frame in shown:
            cells = [column.cell(frame) for column in columns]
            rank = "" if frame.rank is None else str(frame.rank)
            words = verdict_words(frame)
            screen.line((row(rank, _name(report, frame), words, cells), style))
            _write_sentences(screen, frame, everything=everything)
        if len(frames) > len(shown):
            hidden = len(frames) - len(shown)
            screen.line((f"      ... {hidden} more to {VERDICT_WORDS[verdict]} (--all)", QUIET))


def _write_sentences(screen: Screen, frame: AuditedFrame, *, everything: bool) -> None:
    shown = standing(frame) if everything else weighty(frame)
    for finding in shown:
        word = SEVERITY_WORDS[finding.severity]
        screen.paragraph(finding.message, indent=SENTENCE_INDENT, label=f"{word}: ")
    for finding in excused(frame):
        # A kept frame with half its lights gone says why it is kept, or nobody trusts it.
        if everything or finding.severity == "fault":
            sentence = f"{finding.message} {(finding.excused_by or '').rstrip('.')}."
            screen.paragraph(sentence, indent=SENTENCE_INDENT, label="excused: ", style=QUIET)
    reason = plain_reason(frame)
    if reason is not None:
        screen.paragraph(reason, indent=SENTENCE_INDENT)
    if everything or frame.measured_file not in (None, frame.file):
        for note in frame.notes:
            screen.paragraph(note, indent=SENTENCE_INDENT, label="note: ")


def _write_unread(screen: Screen, report: Report) -> None:
    frames = list(unread(report))
    if not frames:
        return
    screen.heading("Unread")
    for frame in frames:
        name = screen.shortened(_name(report, frame), screen.width - SENTENCE_INDENT)
        screen.line(f"  {name}")
        reason = "no reason was noted" if frame.error is None else frame.error.message
        screen.paragraph(reason, indent=SENTENCE_INDENT, label=f"{kind_words(frame.state)}: ")


def _write_series(screen: Screen, report: Report, *, everything: bool) -> None:
    if report.series:
        screen.heading("Series")
    shown = report.series if everything else report.series[:SERIES_SHOWN]
    for series in shown:
        screen.paragraph(series_words(series), indent=2, label=f"{series.id}  ")
        for note in series.notes if everything else series.notes[:NOTES_OF_A_SERIES]:
            screen.paragraph(note, indent=SENTENCE_INDENT)
    if len(report.series) > len(shown):
        screen.line((f"      ... {len(report.series) - len(shown)} more series (--all)", QUIET))
    if report.dust:
        screen.heading("Dust")
    for spot in report.dust:
        screen.paragraph(f"body {spot.body}: {_dust_words(spot)}", indent=2)


def _dust_words(spot: DustSpot) -> str:
    """One spot of dust: where, how large, how dark, and in how many frames."""
    at = "" if spot.aperture_n is None else f" at f/{number(spot.aperture_n)}"
    size = "" if spot.diameter_um is None else f" ({number(spot.diameter_um)} µm)"
    return (
        f"{percent(spot.x_share)} from the left, {percent(spot.y_share)} from the top of the "
        f"stored frame, {percent(spot.diameter_share)} of its width across{size}, "
        f"{percent(spot.contrast)} darker{at}, seen in {counted(spot.frames, 'frame')}"
    )


def _write_skipped(screen: Screen, report: Report, *, everything: bool) -> None:
    if not report.skipped or not everything:
        return
    screen.heading("Left out")
    for skipped in report.skipped:
        screen.paragraph(f"{skipped.file}: {skipped.reason}", indent=2)


def _write_card(screen: Screen, report: Report, *, everything: bool) -> None:
    """Write what a photographer should look at before the card is formatted."""
    if not report.card:
        return
    screen.heading("The files as a whole")
    shown = report.card if everything else report.card[:CARD_NOTES]
    for note in shown:
        screen.paragraph(note.message, indent=2)
    if len(shown) < len(report.card):
        screen.paragraph(f"{len(report.card) - len(shown)} more (--all lists them)", indent=2)
    screen.paragraph(NO_BACKUP, indent=2, style=QUIET)


def _write_summary(screen: Screen, report: Report) -> None:
    counts = report.counts
    screen.heading("In short")
    parts = [
        f"{counts.keeper} keep",
        f"{counts.look_again} look again",
        f"{counts.reject} reject",
        f"{counts.unread} unread",
    ]
    where = ", ".join(report.folders)
    total = counted(counts.frames, "frame") if counts.frames else "no photograph was found"
    screen.paragraph(f"{', '.join(parts)}: {total} in {where}", indent=2)
    if counts.skipped:
        files = counted(counts.skipped, "file")
        screen.paragraph(f"{files} left out (--all lists them with the reason)", indent=2)
    if report.interrupted:
        screen.paragraph(
            "Stopped early: only the frames above were measured. "
            "The same command goes on from here.",
            indent=2,
        )
    if not counts.measured:
        return
    screen.paragraph(_held_against(report), indent=2)
    if (words := first_look_words(report)) is not None:
        screen.paragraph(words, indent=2)
    _write_causes(screen, report)
    _write_lens_remarks(screen, report)
    _write_next(screen, report)
    screen.blank()
    screen.paragraph(LEGEND, style=QUIET)
    screen.paragraph(TEST_PRINT, style=QUIET)


def _write_lens_remarks(screen: Screen, report: Report) -> None:
    remarks = lens_remarks(report)
    if not remarks:
        return
    screen.heading("Lenses")
    for remark in remarks:
        screen.paragraph(f"{remark.message} {remark.advice}", indent=2)


def _held_against(report: Report) -> str:
    hint = "" if report.settings.print_long_cm else "; name your own print with --print 90x60cm"
    return f"{held_against(report)}{hint}"


def _write_causes(screen: Screen, report: Report) -> None:
    found = causes(report)
    if not found:
        return
    screen.heading("Causes, commonest first")
    kind_width = max(len(cause.kind) for cause in found)
    counts = [counted(cause.frames, "frame") for cause in found]
    count_width = max(len(count) for count in counts)
    for cause, count in zip(found, counts, strict=True):
        label = f"{kind_words(cause.kind):<{kind_width}}{GAP}{count:>{count_width}}{GAP}"
        screen.paragraph(cause.advice, indent=2, label=label)


def _write_next(screen: Screen, report: Report) -> None:
    frame = next((frame for frame in report.frames if _can_be_typed(report, frame)), None)
    doubtful = next(
        (
            frame
            for frame in report.frames
            if frame.verdict == "look-again" and _can_be_typed(report, frame)
        ),
        frame,
    )
    if doubtful is None:
        return
    screen.heading("Next")
    screen.line("  ", (_why_command(report, doubtful), COMMAND))
    screen.line(
        "      all evidence for one frame",
        "" if doubtful is frame else ", here for the best doubtful one",
    )


def _why_command(report: Report, frame: AuditedFrame) -> str:
    settings = report.settings
    words = ["frame-audit", "why", _path(report, frame)]
    if settings.print_long_cm is not None and settings.print_short_cm is not None:
        words += ["--print", f"{settings.print_long_cm:g}x{settings.print_short_cm:g}cm"]
    if settings.viewing_cm != USUAL_VIEWING_CM:
        words += ["--viewing", f"{settings.viewing_cm:g}cm"]
    if settings.repeats != USUAL_REPEATS:
        words += ["--repeats", settings.repeats]
    return shlex.join(words)


def _can_be_typed(report: Report, frame: AuditedFrame) -> bool:
    """Whether the name can be copied from the screen into a shell."""
    path = _path(report, frame)
    return frame.state == "measured" and inert(path) == path and "\\" not in path


def _path(report: Report, frame: AuditedFrame) -> str:
    return f"{report.folders[frame.folder].rstrip('/')}/{frame.file}"


def _name(report: Report, frame: AuditedFrame) -> str:
    """Name of a frame below its folder, or with it where there are several."""
    return frame.file if len(report.folders) == 1 else _path(report, frame)
