"""The same rock in every frame: joins lead where the scene really is, and nowhere by guess."""

import numpy as np
import pytest
from planted_shots import picture, scene

from audit.records import AuditedFrame, Exposure, Sensor
from audit.review.places import NO_TURN, Turn, turns_of


def row(name: str) -> AuditedFrame:
    return AuditedFrame(
        file=name,
        companions=(),
        format="jpeg",
        state="measured",
        error=None,
        exposure=Exposure(focal_mm=35.0, focal_35mm_mm=35.0),
        sensor=Sensor(
            width_px=2560, height_px=1920, pitch_um=4.0, pitch_source="planted", basis="developed"
        ),
        verdict="keeper",
        rank=None,
    )


def through(turn: Turn | None, x: float, y: float) -> np.ndarray:
    assert turn is not None
    seen = np.array(turn).reshape(3, 3) @ [x, y, 1.0]
    return seen[:2] / seen[2]


def turns(pictures: list[np.ndarray], *, is_one_framing: bool) -> list[Turn | None]:
    rows = [row(f"{at}.jpg") for at in range(len(pictures))]
    sources = [lambda one=one: one for one in pictures]
    return turns_of(rows, sources, [None] * len(rows), None, is_one_framing=is_one_framing)


@pytest.mark.parametrize("is_one_framing", [True, False])
def test_a_frame_moved_by_known_pixels_shows_the_place_moved_by_as_many(
    is_one_framing: bool,
) -> None:
    """By construction: the second picture is the first one moved by 6 columns and 3 rows."""
    whole = picture(scene(3))
    first, second = whole[8:-8, 8:-8], whole[5:-11, 2:-14]
    rows, cols = first.shape

    for x, y in ((0.0, 0.0), (0.3, -0.2), (-0.4, 0.4)):
        found = through(turns([first, second], is_one_framing=is_one_framing)[1], x, y)
        assert (found - (x, y)) * (cols, rows) == pytest.approx((6, 3), abs=1.0)


def test_a_set_of_one_and_frames_without_pictures_stand_as_they_are() -> None:
    assert turns([picture(scene(1))], is_one_framing=False) == [NO_TURN]


def test_frames_of_a_sweep_that_do_not_join_are_told_apart() -> None:
    found = turns([picture(scene(1)), picture(scene(2)), picture(scene(2))], is_one_framing=False)

    assert found == [NO_TURN, None, None]
