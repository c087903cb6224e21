"""What is said of each kind of series, and what is excused."""

import numpy as np
import pytest
from planted_shots import COLS, ROWS, picture, scene, shot

from audit.records import Finding
from audit.series.bracket import bracket, steps_note
from audit.series.focus import beaten_share, focus_bracket, is_focus_bracket, sharpest_frames
from audit.series.framing import Placed
from audit.series.repeat import repeat
from audit.series.shot import Shot
from audit.series.shutter import shutter_variants
from audit.settings import Limits, Settings

SAME = picture(scene(1))
FLOOR = -20.0


def placed(*shots: Shot) -> tuple[Placed, ...]:
    """Frames that look exactly the same way."""
    return tuple(
        Placed(
            shot=each,
            rotation=np.eye(3),
            zoom=1.0,
            brightness_ev=0.0,
            idle_s=1.0,
            fields=(ROWS / COLS / 2, 0.5),
        )
        for each in shots
    )


# ---------------------------------------------------------------- exposure brackets


@pytest.mark.parametrize(
    ("times_s", "said"),
    [
        ((1 / 250, 1 / 60, 1 / 15), "3 exposures over 4 EV, in steps of 2 EV."),
        ((1 / 125, 1 / 60, 1 / 30), "3 exposures over 2 EV, in steps of 1 EV."),
        ((1 / 100, 1 / 60, 1 / 40), "3 exposures over 1 1/3 EV, in steps of 2/3 EV."),
        ((8, 15, 30), "3 exposures over 2 EV, in steps of 1 EV."),
        ((1 / 180, 1 / 60, 1 / 20), "3 exposures over 3 EV, in steps of 1 1/2 EV."),
    ],
)
def test_marked_times_give_steps_in_whole_thirds_and_halves(
    times_s: tuple[float, ...], said: str
) -> None:
    """APEX: Tv = -log2 t (Exif, CIPA DC-008, annex C).

    Marked 1/15 is 1/16, 1/60 is 1/64 and 30 is 32 s; 1/180 and 1/20 stand for 2^-7.5 and 2^-4.5 in
    half stops (common practice, no source).
    """
    assert steps_note([shot(i, None, shutter_s=t) for i, t in enumerate(times_s)]) == said


def test_steps_may_be_made_by_aperture_and_iso() -> None:
    """Av = 2 log2 N, Sv = log2(S / 3.125): f/8 to f/11 is one stop, ISO 100 to 200 another."""
    shots = [
        shot(0, None, aperture_n=11.0, iso=100.0),
        shot(1, None, aperture_n=8.0, iso=100.0),
        shot(2, None, aperture_n=8.0, iso=200.0),
    ]

    assert steps_note(shots) == "3 exposures over 2 EV, in steps of 1 EV."


def test_an_uneven_bracket_names_the_missing_frame() -> None:
    shots = [shot(i, None, shutter_s=2.0**e) for i, e in enumerate((-8, -7, -5, -4))]

    assert steps_note(shots) == (
        "4 exposures over 4 EV, in uneven steps of 1 EV, 2 EV and 1 EV, darkest first. "
        "Incomplete: by the usual step 1 between them is missing."
    )


def test_a_bracket_shorter_than_its_twin_is_incomplete() -> None:
    shots = [shot(i, None, shutter_s=2.0**e) for i, e in enumerate((-8, -6))]

    assert steps_note(shots, expected=3).endswith("Incomplete: 2 of 3 exposures are here.")


def test_what_the_ends_hold_is_measured_and_excuses_the_others() -> None:
    dark = shot(0, None, shutter_s=1 / 250, lost_shadows=0.3)
    bright = shot(1, None, shutter_s=1 / 15, lost_lights=0.2)

    found = bracket(placed(dark, bright), Limits())

    assert found.best is None
    assert found.notes[1] == (
        "The darkest, QT3_0000.jpg, holds the highlights; "
        "the brightest, QT3_0001.jpg, holds the shadows."
    )
    assert found.excuses[0] == {
        "blocked-shadows": "QT3_0001.jpg of the same bracket holds the shadows"
    }
    assert found.excuses[1] == {
        "clipped-highlights": "QT3_0000.jpg of the same bracket holds the highlights"
    }


def test_an_end_that_no_frame_holds_is_said_and_not_excused() -> None:
    shots = [
        shot(i, None, shutter_s=t, lost_lights=part)
        for i, (t, part) in enumerate(((1 / 250, 0.02), (1 / 60, 0.1), (1 / 15, 0.3)))
    ]

    found = bracket(placed(*shots), Limits())

    assert "still clips 2.0 % of the highlights, so a darker frame is missing" in found.notes[1]
    assert all("clipped-highlights" not in excuses for excuses in found.excuses.values())


def test_a_frame_that_holds_both_ends_alone_is_named() -> None:
    shots = [
        shot(0, None, shutter_s=1 / 250, lost_shadows=0.2),
        shot(1, None, shutter_s=1 / 60),
        shot(2, None, shutter_s=1 / 15, lost_lights=0.1),
    ]

    found = bracket(placed(*shots), Limits())

    assert found.best is shots[1]
    assert found.notes[2] == "QT3_0001.jpg alone holds both ends."


# ---------------------------------------------------------------- shutter variants


@pytest.mark.parametrize(
    ("time_s", "words"),
    [
        (1 / 3000, "frozen at 1/3000 s"),
        (1 / 90, "almost frozen at 1/90 s"),
        (1.5, "silky at 1.5 s"),
        (8.0, "misty at 8 s"),
    ],
)
def test_water_is_worded_by_common_practice(time_s: float, words: str) -> None:
    """Falling water: frozen at 1/3000 s, neither frozen nor flowing at 1/90 s, silky at 1.5 s.

    Common practice, no source.
    """
    found = shutter_variants(
        placed(shot(0, None, shutter_s=1 / 15), shot(1, None, shutter_s=time_s)), Limits()
    )

    assert f"{words} (QT3_0001.jpg)" in found.notes[0]


def test_still_parts_must_be_sharp_at_every_time() -> None:
    shots = [
        shot(0, None, shutter_s=1 / 60, edge_width_px=1.5),
        shot(1, None, shutter_s=1 / 4, edge_width_px=3.0),
        shot(2, None, shutter_s=2.0, edge_width_px=1.6),
    ]

    found = shutter_variants(placed(*shots), Limits())

    assert found.notes[1:] == (
        "Still parts of QT3_0001.jpg are softer: edges of 3.0 px against 1.5 px.",
    )
    assert set(found.excuses) == {0, 2}


def test_still_parts_are_told_by_their_detail_where_edges_are_few() -> None:
    """Water over half of the frame loses detail at 2 s; a shaken frame loses it everywhere."""
    sharp = np.full((16, 24), -8.0)
    smooth_water = sharp.copy()
    smooth_water[8:] = -14.0
    shots = [
        shot(0, None, shutter_s=1 / 60, edge_width_px=None, detail=sharp),
        shot(1, None, shutter_s=2.0, edge_width_px=None, detail=smooth_water),
        shot(2, None, shutter_s=1 / 4, edge_width_px=None, detail=sharp - 2.0),
    ]

    found = shutter_variants(placed(*shots), Limits())

    assert found.notes[1:] == (
        "Still parts of QT3_0002.jpg are softer: 4.0 times less energy of fine detail.",
    )


# ---------------------------------------------------------------- focus brackets


def focused_at(row: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Detail that falls by half a stop a row away from the plane of focus."""
    return np.repeat(-8.0 - 0.5 * np.abs(np.arange(16) - row)[:, None], 24, axis=1)


def test_focus_that_moves_through_the_frame_is_a_focus_bracket() -> None:
    group = placed(*(shot(i, None, detail=focused_at(row)) for i, row in enumerate((14, 8, 2))))

    assert is_focus_bracket(group)
    assert list(sharpest_frames(group)[[14, 8, 2], 12]) == [0, 1, 2]


def test_shake_softens_all_parts_and_is_no_focus_bracket() -> None:
    rng = np.random.default_rng(5)
    content = rng.uniform(-12, -6, (16, 24))
    softer = content - rng.uniform(0.5, 4.0, (16, 24))

    assert beaten_share(placed(shot(0, None, detail=content), shot(1, None, detail=softer))) == 0


def test_another_light_is_no_other_focus() -> None:
    """A frame a stop brighter has four times the energy everywhere."""
    dark, bright = placed(
        shot(0, None, detail=focused_at(8)), shot(1, None, detail=focused_at(8) + 2.0)
    )
    brighter = Placed(
        shot=bright.shot,
        rotation=bright.rotation,
        zoom=1.0,
        brightness_ev=1.0,
        idle_s=1.0,
        fields=bright.fields,
    )

    assert beaten_share((dark, brighter)) == 0


def test_detail_below_the_noise_tells_nothing() -> None:
    group = placed(*(shot(i, None, detail=focused_at(row) - 13) for i, row in enumerate((14, 2))))

    assert beaten_share(group) == 0


def test_one_written_distance_is_believed() -> None:
    """Exif SubjectDistance: where it never changed, what changed in the frame is not the focus."""
    group = placed(
        *(
            shot(i, None, detail=focused_at(row), subject_distance_m=3.0)
            for i, row in enumerate((14, 2))
        )
    )

    assert not is_focus_bracket(group)


def test_a_part_sharp_in_no_frame_is_a_gap_in_depth() -> None:
    """Print 60 cm from 6000 px at 50 cm: 1.5 px holds at 87 cm, so 60 cm needs 2.2 px."""
    near = ((6.0, 6.0), (4.0, 4.0), (1.5, 1.5))
    far = ((1.5, 1.5), (5.6, 5.6), (6.0, 6.0))
    group = placed(shot(0, None, widths=near), shot(1, None, widths=far))

    assert (
        focus_bracket(group, Settings())
        .notes[0]
        .startswith(
            "A gap in depth: 2 of 6 parts with edges are sharp in no frame; "
            "the softest lies middle left, where the best frame has edges of 4.0 px"
        )
    )


def test_a_part_that_is_soft_in_itself_is_no_gap() -> None:
    cloud = ((4.0, 4.0), (1.5, 1.5))
    group = placed(shot(0, None, widths=cloud), shot(1, None, widths=((4.1, 4.2), (5.0, 6.0))))

    assert focus_bracket(group, Settings()).notes[0].startswith("No gap in depth")


# ---------------------------------------------------------------- repeats


def test_the_best_repeat_is_the_one_with_the_most_energy() -> None:
    shots = [
        shot(0, None, energy=0.10, edge_width_px=2.4, print_cm=60.0),
        shot(1, None, energy=0.20, edge_width_px=1.5, print_cm=90.0),
        shot(2, None, energy=0.15, edge_width_px=1.9, print_cm=75.0),
    ]

    found = repeat(placed(*shots))

    assert found.best is shots[1]
    assert [each.place for each in found.order] == [1, 2, 0]
    assert found.notes == (
        (
            "QT3_0001.jpg is sharper than QT3_0002.jpg: edges 1.5 px wide against 1.9 px, "
            "holds at 90 cm against 75 cm."
        ),
        (
            "The softest, QT3_0000.jpg: edges 1.5 px wide against 2.4 px, "
            "holds at 90 cm against 60 cm."
        ),
    )
    assert set(found.spare) == {0, 2}


def test_a_sharper_repeat_that_lost_light_does_not_go_first() -> None:
    burnt = Finding(
        kind="clipped-highlights",
        severity="fault",
        value=0.05,
        limit=0.02,
        unit="share",
        confidence=0.9,
        message="5 % of the highlights are clipped.",
    )
    shots = [shot(0, None, energy=0.3, findings=(burnt,)), shot(1, None, energy=0.2)]

    found = repeat(placed(*shots))

    assert found.best is shots[1]
    assert found.notes[0] == "QT3_0001.jpg goes first: QT3_0000.jpg is sharper, but lost light."


def test_equally_sharp_repeats_are_called_so() -> None:
    found = repeat(placed(shot(0, None, energy=0.200), shot(1, None, energy=0.199)))

    assert found.notes == ("As sharp as QT3_0000.jpg: QT3_0001.jpg.",)


def test_without_energies_no_repeat_is_the_best() -> None:
    found = repeat(placed(shot(0, None, energy=None), shot(1, None, energy=None)))

    assert found.best is None
    assert not found.spare
