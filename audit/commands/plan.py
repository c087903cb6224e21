"""``frame-audit plan``: what to set before the walk."""

import argparse
import shlex
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from audit.errors import FolderError, SettingsError
from audit.outputs import refuse_unfit_output, write_outputs
from audit.streams import standard_error
from audit.words import (
    STDOUT,
    Words,
    add_print_options,
    add_screen_options,
    settings_of,
)

if TYPE_CHECKING:
    from audit.plan_records import Asked
    from audit.records import AuditedFrame
    from audit.settings import Settings

HELP = """\
What to set before the walk, by the physics that judges the frames afterwards:
how far to stop down for the print you have in mind, what will be sharp, how
long the hand holds, and what water, stars, a panorama or a bracket ask for."""
EXAMPLES = """\
examples:
  frame-audit plan --sensor full-frame --megapixels 45 --focal 24mm \\
                   --print 90x60cm --near 1.5m
  frame-audit plan --from ~/trip/day2/frame_0412.dng --focal 50mm \\
                   --panorama 120x40 --card panorama.html
  frame-audit plan --sensor 44x33 --megapixels 100 --focal 35mm --aperture 8 \\
                   --water 2m/s --distance 5m --bracket 14 --json plan.json

All of it is arithmetic on ideal lenses: it plans, a test frame decides.
"""

CARD_HELP = "write a field card for a browser, one page when printed; - is the standard output"


def plan(argv: Sequence[str]) -> int:
    """Run the command; the exit code is returned."""
    options = _options(argv)
    wanted = {name: getattr(options, name) for name in ("json", "card")}
    on_stdout = [f"--{name} -" for name, file in wanted.items() if file == STDOUT]
    if len(on_stdout) > 1:
        raise SettingsError(
            f"expected one output on the standard output, found {' '.join(on_stdout)}"
        )
    for file in wanted.values():
        if file not in (None, STDOUT):
            refuse_unfit_output(Path(file))
    settings = settings_of(options)
    from audit.plan import plan_of
    from audit.report import field_card, plan_json, plan_terminal

    planned = plan_of(_asked(options, settings), settings)
    table = partial(plan_terminal.write, planned, colour=not options.no_color)
    write_outputs(
        [
            (options.json, partial(plan_json.write, planned)),
            (options.card, partial(field_card.write, planned)),
            (None if on_stdout else STDOUT, table),
        ]
    )
    return 0


def _options(argv: Sequence[str]) -> argparse.Namespace:
    from audit.commands.plan_words import add_camera_options, add_subject_options

    words = Words("plan", "", HELP, EXAMPLES)
    add_camera_options(words)
    add_print_options(words.add_argument_group("the print"))
    add_subject_options(words)
    results = words.add_argument_group("what becomes of it")
    results.add_argument("--card", metavar="FILE", help=CARD_HELP)
    results.add_argument(
        "--json", metavar="FILE", help="write the plan as JSON; - is the standard output"
    )
    results.add_argument("--cache", metavar="DIR", help="where measurements are kept, for --from")
    add_screen_options(results)
    # What the other commands' options of judging and measuring say where they are left out.
    words.set_defaults(jobs=1, fresh=False, cluster=None, repeats=None)
    options, names = words.read(argv)
    if names:
        raise SettingsError(f"expected no further words, found {shlex.join(names)}")
    return options


def _asked(options: argparse.Namespace, settings: "Settings") -> "Asked":
    """Turn the options into what is asked; an option wins over what a frame tells."""
    from audit.commands import plan_words as told
    from audit.plan.camera import camera_of_sensor
    from audit.plan_records import Asked

    focal_mm = None if options.focal is None else told.focal_asked(options.focal)
    aperture_n = None if options.aperture is None else told.aperture_asked(options.aperture)
    if options.frame is None:
        camera = told.camera_asked(options, settings)
    else:
        row = _frame(options, settings)
        if row.sensor is None or row.exposure is None:
            because = row.error.message if row.error else "nothing was measured"
            raise FolderError(f"--from: expected a frame that can be read: {because}")
        camera = camera_of_sensor(row.sensor, row.file)
        focal_mm = focal_mm or row.exposure.focal_mm
        aperture_n = aperture_n or row.exposure.aperture_n
    if focal_mm is None:
        raise SettingsError("expected a focal length, as in --focal 24mm, found none")
    return Asked(
        camera=camera,
        focal_mm=focal_mm,
        aperture_n=aperture_n,
        depth=told.depth_asked(options),
        water=told.water_asked(options),
        stars=told.stars_asked(options),
        panorama=told.panorama_asked(options),
        bracket=told.bracket_asked(options),
    )


def _frame(options: argparse.Namespace, settings: "Settings") -> "AuditedFrame":
    """The frame that ``--from`` names, as the audit reads it.

    Raises
    ------
    SettingsError
        If a camera is told as well.
    FolderError
        If there is no such frame.
    """
    for name in ("sensor", "megapixels", "pixels", "pitch", "camera"):
        if getattr(options, name) is not None:
            raise SettingsError(f"--from: expected no other camera with it, found --{name}")
    path = Path(options.frame)
    if path.is_dir():
        raise SettingsError(f"{path}: expected one frame, found a folder")
    if not path.exists():
        raise FolderError(f"{options.frame}: expected a frame, found no such file")
    from audit import run

    with standard_error(options) as messages:
        return run.one_frame(path, settings, progress=messages, warn=messages.warn)
