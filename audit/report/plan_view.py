"""A plan in words and tables, the same for the terminal and the field card."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from audit.plan_records import (
    ApertureRow,
    BracketPlan,
    DepthRow,
    DepthRuleName,
    HandTime,
    PanoramaPlan,
    Plan,
    RangePlan,
    StarPlan,
    WaterPlan,
)
from audit.report.units import (
    FOOT_M,
    INCH_CM,
    WHOLE_FROM,
    counted,
    distance,
    length,
    number,
    percent,
    shutter,
    sides_cm,
    sides_in,
    tenths,
    wished_print,
)

INFINITY = "infinity"
NOTHING = "none"

RULE_WORDS: dict[DepthRuleName, str] = {
    "print-and-lens": "print and lens",
    "print": "print alone",
    "diagonal-1500": "film, d/1500",
    "film": "film, 0.030 mm",
}

RULES_EXPLAINED = (
    "Print and lens: the defocus with which edges hold at this print beside diffraction and pixels,"
    " as the audit judges. Print alone: the same without these two."
)

MOST_LISTED = 7
"""Figures in a sentence; the JSON has all (project's choice)."""

SMALLEST_SHOWN_N = 22.0
"""Smaller apertures stand in the JSON alone, unless the plan uses them."""

TEST_PRINT = (
    "Ideal lenses and still air: plan by it, then look at a test frame at full size, and make a "
    "test print of a part before you order the large one."
)


class Table(NamedTuple):
    """Rows of texts; the first column is words, the others are figures."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


class Section(NamedTuple):
    """One question with its answer."""

    title: str
    sentences: tuple[str, ...]
    table: Table | None = None


def facts_of(plan: Plan) -> tuple[tuple[str, str], ...]:
    """What the plan rests on: labels and values."""
    camera, lens, paper = plan.camera, plan.lens, plan.print
    chosen = " (the plan's choice)" if lens.aperture_is_chosen else ""
    why = " (three quarters of the largest: none was asked for)" if paper.is_chosen else ""
    return (
        (
            "Camera",
            (
                f"{camera.source}: {tenths(camera.width_mm)} × {tenths(camera.height_mm)} mm, "
                f"{camera.width_px} × {camera.height_px} px, pitch {number(camera.pitch_um)} µm"
            ),
        ),
        (
            "Lens",
            (
                f"{number(lens.focal_mm)} mm (like {number(lens.focal_35mm_mm)} mm on 36 × 24 mm) "
                f"at {f_number(lens.aperture_n)}{chosen}"
            ),
        ),
        (
            "Print",
            (
                f"{wished_print(paper.long_cm, paper.short_cm)}{why}, "
                f"seen from {length(paper.viewing_cm)}"
            ),
        ),
    )


def sections_of(plan: Plan) -> Iterator[Section]:
    """Every answer, in the order of the questions."""
    yield _aperture(plan)
    yield _depth(plan)
    yield _hand(plan)
    if plan.water is not None:
        yield _water(plan.water)
    if plan.stars is not None:
        yield _stars(plan.stars, plan)
    if plan.panorama is not None:
        yield _panorama(plan.panorama, plan)
    if plan.bracket is not None:
        yield _bracket(plan.bracket)


def f_number(aperture_n: float) -> str:
    """An aperture as it is marked."""
    return f"f/{aperture_n:.3g}"


# ---------------------------------------------------------------- aperture


def _aperture(plan: Plan) -> Section:
    apertures, paper = plan.aperture, plan.print
    return Section(
        "How far to stop down",
        (
            _reach(plan),
            (
                "No aperture leaves room for depth at this print."
                if apertures.turning_n is None
                else f"Depth for this print is greatest at {f_number(apertures.turning_n)}; past "
                "it, stopping down costs depth and print."
            ),
            (
                f"Diffraction limited from {f_number(apertures.limited_n)} "
                f"({apertures.criterion_meaning})."
            ),
        ),
        Table(
            ("aperture", "print cm", "print in", "costs cm", "hyperfocal", "Airy px", "edge px"),
            tuple(
                _aperture_row(row, paper.short_cm / paper.long_cm) for row in _shown_apertures(plan)
            ),
        ),
    )


def _reach(plan: Plan) -> str:
    paper, apertures = plan.print, plan.aperture
    if paper.edge_width_px is None:
        return (
            f"The pixels are too few for this print: sharp to the last one, they give "
            f"{number(paper.largest_long_cm)} cm ({number(paper.largest_long_cm / INCH_CM)} in) "
            f"along the long side. Step back, stitch, or print smaller."
        )
    needed = f"edges of {number(paper.edge_width_px)} px or less"
    if apertures.smallest_holding_n is None:
        return f"The print asks for {needed}; no aperture from f/2.8 on reaches that."
    return (
        f"The print asks for {needed}: even a perfect lens leaves more past "
        f"{f_number(apertures.smallest_holding_n)}."
    )


def _shown_apertures(plan: Plan) -> list[ApertureRow]:
    """From the last aperture that costs nothing to f/22, and the plan's own in any case."""
    rows = plan.aperture.rows
    free = [row.aperture_n for row in rows if row.cost_cm <= 0]
    first_n = min(max(free, default=0.0), plan.lens.aperture_n)
    last_n = max(SMALLEST_SHOWN_N, plan.lens.aperture_n)
    return [row for row in rows if first_n <= row.aperture_n <= last_n]


def _aperture_row(row: ApertureRow, short_share: float) -> tuple[str, ...]:
    short_cm = row.long_cm * short_share
    return (
        f_number(row.aperture_n) + (" holds" if row.holds else ""),
        sides_cm(row.long_cm, short_cm),
        sides_in(row.long_cm, short_cm),
        _one(row.cost_cm),
        NOTHING if row.hyperfocal_m is None else distance(row.hyperfocal_m),
        _one(row.airy_px),
        f"{row.edge_width_px:.2f}",
    )


# ---------------------------------------------------------------- depth


def _depth(plan: Plan) -> Section:
    depth, trap = plan.depth, plan.depth.film_trap
    own = next(row for row in depth.rows if row.rule == "print-and-lens")
    film = next(row for row in depth.rows if row.rule == "film")
    sentences = [
        RULES_EXPLAINED,
        _focus(plan),
        *(_range(depth.range, plan) if depth.range else ()),
    ]
    if own.hyperfocal_m is None:
        sentences.append(
            f"At {f_number(plan.lens.aperture_n)} diffraction and the pixels leave this print no "
            "room for any defocus: nothing but the plane of focus comes near it."
        )
    elif film.hyperfocal_m is not None:
        times = own.hyperfocal_m / film.hyperfocal_m
        sentences.append(
            f"The hyperfocal distance for this print is {number(times)} times the film rule's."
        )
    sentences.append(
        f"Focused at {distance(trap.focus_m)}, where the film rule (0.030 mm) says, infinity is a "
        f"disc of {tenths(trap.disc_px)} px and holds up to {_long(trap.long_cm)}."
    )
    return Section(
        "What will be sharp",
        tuple(sentences),
        Table(
            ("by rule", "hyperfocal", "near", "far", "disc px", "disc µm"),
            tuple(_depth_row(row) for row in depth.rows),
        ),
    )


def _focus(plan: Plan) -> str:
    depth, aperture = plan.depth, f_number(plan.lens.aperture_n)
    if depth.focus_at_infinity:
        return f"Focused at infinity, at {aperture}."
    if depth.focus_m is None:
        return f"At {aperture}; near and far limit when focused at each hyperfocal distance."
    return f"Focused at {distance(depth.focus_m)}, at {aperture}."


def _range(asked: RangePlan, plan: Plan) -> Iterator[str]:
    far = INFINITY if asked.far_m is None else distance(asked.far_m)
    sharpest = "sharpest" if plan.lens.aperture_is_chosen else "equally sharp"
    yield (
        f"From {distance(asked.near_m)} to {far}: both ends are {sharpest} at "
        f"{f_number(asked.aperture_n)}, focused at {distance(asked.focus_m)}; they hold up to "
        f"{_long(asked.long_cm)}{'' if asked.holds else ', less than this print'}."
    )
    if asked.bracket is not None:
        places = _listed([number(each) for each in asked.bracket.focus_m])
        feet = _listed([number(each / FOOT_M) for each in asked.bracket.focus_m])
        yield (
            f"A focus bracket holds this print: {counted(len(asked.bracket.focus_m), 'frame')} at "
            f"{f_number(asked.bracket.aperture_n)}, focused at {places} m ({feet} ft)."
        )


def _depth_row(row: DepthRow) -> tuple[str, ...]:
    if row.coc_mm is None or row.coc_px is None or row.hyperfocal_m is None or row.near_m is None:
        return (RULE_WORDS[row.rule], *[NOTHING] * 5)
    return (
        RULE_WORDS[row.rule],
        distance(row.hyperfocal_m),
        distance(row.near_m),
        INFINITY if row.far_m is None else distance(row.far_m),
        _one(row.coc_px),
        _one(1000 * row.coc_mm),
    )


# ---------------------------------------------------------------- movement


def _hand(plan: Plan) -> Section:
    hand = plan.hand
    return Section(
        "From the hand",
        (f"For a hand that sways by {number(hand.rate_deg_per_s)} degrees a second.",),
        Table(
            ("slowest shutter", "time", "smear px"),
            (
                _hand_row("as the audit judges", hand.audit),
                _hand_row("one arc-minute on this print", hand.print),
                _hand_row("film rule: 1 / focal length", hand.film),
            ),
        ),
    )


def _hand_row(words: str, each: HandTime) -> tuple[str, ...]:
    return (words, shutter(each.marked_s), _one(each.smear_px))


def _water(water: WaterPlan) -> Section:
    return Section(
        "Running water",
        (
            (
                f"{number(water.speed_m_per_s)} m/s ({number(water.speed_m_per_s / FOOT_M)} ft/s) "
                f"across the view, {distance(water.distance_m)} away. The words are common "
                "practice, no source; the travel is arithmetic."
            ),
        ),
        Table(
            ("time and look", "travel px", "on the print cm", "in"),
            tuple(
                (
                    f"{shutter(row.shutter_s)} {row.look.partition(':')[0]}",
                    number(row.travel_px),
                    _two_digits(row.travel_mm / 10),
                    _two_digits(row.travel_mm / 10 / INCH_CM),
                )
                for row in water.rows
            ),
        ),
    )


def _stars(stars: StarPlan, plan: Plan) -> Section:
    drift = stars.drift_px_per_s
    times = (
        ("one arc-minute on this print", stars.print_s),
        ("NPF rule, full", stars.npf_full_s),
        ("NPF rule, short", stars.npf_simple_s),
        ("rule of 500 (film)", stars.rule_500_s),
    )
    return Section(
        "Stars as points",
        (
            (
                f"Stars at a declination of {number(stars.declination_deg)}° drift by "
                f"{number(drift)} px a second; the NPF rules are for "
                f"{f_number(plan.lens.aperture_n)}."
            ),
        ),
        Table(
            ("longest time", "s", "trail px"),
            tuple((words, _one(time_s), _one(time_s * drift)) for words, time_s in times),
        ),
    )


# ---------------------------------------------------------------- sets


def _panorama(sweep: PanoramaPlan, plan: Plan) -> Section:
    lines = "one row" if sweep.rows == 1 else f"{sweep.rows} rows of {sweep.columns}"
    rows = [("field, clean", f"{number(sweep.width_deg)}° × {number(sweep.height_deg)}°")]
    if sweep.step_deg is not None:
        rows.append(("turn from frame to frame", f"{sweep.step_deg:.1f}°"))
        rows.append(("overlap, as angle / as width", _overlap(sweep.overlap, sweep.overlap_width)))
    if sweep.row_step_deg is not None:
        rows.append(("tilt from row to row", f"{sweep.row_step_deg:.1f}°"))
        rows.append(
            ("overlap of rows", _overlap(sweep.row_overlap, sweep.row_overlap_width)),
        )
        tilts = [f"{each:+.1f}°" for each in sweep.pitches_deg]
        rows.append(("tilts, from the top", _listed(tilts)))
    rows += [
        ("stitched", f"{sweep.stitched_width_px} × {sweep.stitched_height_px} px"),
        ("clean rectangle", f"{sweep.clean_width_px} × {sweep.clean_height_px} px"),
        ("its largest print", f"{sides_cm(sweep.long_cm, sweep.short_cm)} cm"),
        ("", f"{sides_in(sweep.long_cm, sweep.short_cm)} in"),
    ]
    closed = ", closed" if sweep.full_turn else ""
    less = (
        ""
        if sweep.one_row_less_deg is None
        else f" One row less covers {number(sweep.one_row_less_deg)}° of height, clean."
    )
    return Section(
        "Panorama",
        (
            (
                f"{counted(sweep.frames, 'frame')} in {sweep.held}, {lines}{closed}, at "
                f"{f_number(plan.lens.aperture_n)}. Level the base, turn about the entrance pupil, "
                f"and hold focus, exposure and white balance.{less}"
            ),
        ),
        Table(("what", "figure"), tuple(rows)),
    )


def _overlap(angle: float | None, width: float | None) -> str:
    return " / ".join("-" if share is None else percent(share) for share in (angle, width))


def _bracket(bracket: BracketPlan) -> Section:
    times = bracket.shutters_s or (None,) * bracket.frames
    return Section(
        "Exposure bracket",
        (
            (
                f"{counted(bracket.frames, 'frame')} in steps of {number(bracket.step_ev)} EV hold "
                f"{number(bracket.covered_ev)} EV; the scene has {number(bracket.range_ev)} EV, "
                f"one frame {number(bracket.frame_range_ev)} EV. Change the time alone."
            ),
        ),
        Table(
            ("frame", "EV", "time"),
            tuple(
                (
                    str(place),
                    f"{offset:+g}" if offset else "0",
                    "-" if time_s is None else shutter(time_s),
                )
                for place, (offset, time_s) in enumerate(
                    zip(bracket.offsets_ev, times, strict=True), start=1
                )
            ),
        ),
    )


def _listed(figures: Sequence[str]) -> str:
    """Figures with commas; of many the first few and the last."""
    if len(figures) > MOST_LISTED:
        figures = [*figures[: MOST_LISTED - 1], f"... {figures[-1]}"]
    return ", ".join(figures)


def _one(value: float) -> str:
    return f"{value:.1f}"


def _two_digits(value: float) -> str:
    return f"{value:.2g}" if value < WHOLE_FROM else number(value)


def _long(long_cm: float) -> str:
    return f"{number(long_cm)} cm ({number(long_cm / INCH_CM)} in) long"
