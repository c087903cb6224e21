"""``frame-audit trip``: what the frames of a trip say together."""

from collections.abc import Sequence
from functools import partial
from pathlib import Path

from audit.errors import SettingsError
from audit.outputs import refuse_unfit_output, write_outputs
from audit.streams import standard_error
from audit.words import STDOUT, Words, add_judging_options, add_measuring_options, settings_of

HELP = """\
Report over days, bodies and lenses, so that the next hike is shot better: the
best aperture of each lens, the shutter time to trust, vibration, a soft side,
noise, lost highlights, settings left on, dust, and the light of each day. Each
statement carries its count of frames and its confidence."""
EXAMPLES = """\
examples:
  frame-audit trip ~/trip
  frame-audit trip ~/2026/skarrow ~/2026/veldra --print 90x60cm
  frame-audit trip ~/trip --print 36x24in --viewing 20in --all
  frame-audit trip ~/trip --json trip.json
  frame-audit trip ~/trip --json - | python3 -m json.tool

Nothing is said from fewer frames than it needs. What an earlier run measured is
not measured again. The page of frame-audit check --page holds the same report.
"""


def trip(argv: Sequence[str]) -> int:
    """Run the command; the exit code is returned."""
    words = Words("trip", "FOLDER...", HELP, EXAMPLES)
    words.add_argument(
        "--json", metavar="FILE", help="write the trip report as JSON; - is the standard output"
    )
    words.add_argument("--all", action="store_true", help="every row of every table")
    add_judging_options(words)
    add_measuring_options(words)
    options, names = words.read(argv)
    if not names:
        raise SettingsError("expected a folder, as in: frame-audit trip ~/trip")
    if options.json not in (None, STDOUT):
        refuse_unfit_output(Path(options.json))
    settings = settings_of(options)
    from audit import run
    from audit.report import outcome, trip_json, trip_terminal
    from audit.trip import trip_report

    folders = [Path(name) for name in names]
    with standard_error(options) as messages:
        report = run.check(folders, settings, progress=messages, warn=messages.warn)
    told = trip_report(report)
    colour = not options.no_color
    table = partial(trip_terminal.write, told, colour=colour, everything=options.all)
    write_outputs(
        [
            (options.json, partial(trip_json.write, told)),
            (None if options.json == STDOUT else STDOUT, table),
        ]
    )
    return outcome.exit_code(report, frozenset())
