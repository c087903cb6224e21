"""How many frames hold a scene."""

import math

from audit.errors import SettingsError
from audit.optics.exposure import shutter_s_from_tv, shutter_tv
from audit.plan.marks import nearest_time_s
from audit.plan_records import BracketAsked, BracketPlan

ROUNDING = 1e-9
"""Steps this close to a whole number count as that number."""

MOST_FRAMES = 9
"""As many as cameras offer (common practice, no source)."""


def bracket_plan(asked: BracketAsked) -> BracketPlan:
    """Frames of a bracket whose darkest keeps the lights and whose brightest keeps the shadows.

    Parameters
    ----------
    asked : BracketAsked

    Returns
    -------
    BracketPlan
        An odd number of frames, since cameras count brackets from the middle (common practice, no
        source).

    Raises
    ------
    SettingsError
        If the step is wider than what one frame holds, so that light between two frames would be
        lost, or if there would be more frames than anybody takes.

    Notes
    -----
    n frames in steps of s hold (n - 1) s + what one frame holds.
    """
    if asked.step_ev > asked.frame_range_ev:
        raise SettingsError(
            f"--step: expected at most {asked.frame_range_ev:g} EV, what one frame holds, "
            f"found {asked.step_ev:g} EV"
        )
    more_ev = max(0.0, asked.range_ev - asked.frame_range_ev)
    steps = math.ceil(more_ev / asked.step_ev - ROUNDING)
    frames = steps + 1 if steps % 2 == 0 else steps + 2
    if frames > MOST_FRAMES:
        raise SettingsError(
            f"--bracket: expected at most {MOST_FRAMES} frames, found {frames}; widen --step"
        )
    half = frames // 2
    offsets = tuple(asked.step_ev * (place - half) for place in range(frames))
    middle_s = asked.middle_shutter_s
    return BracketPlan(
        range_ev=asked.range_ev,
        frame_range_ev=asked.frame_range_ev,
        step_ev=asked.step_ev,
        frames=frames,
        covered_ev=(frames - 1) * asked.step_ev + asked.frame_range_ev,
        offsets_ev=offsets,
        shutters_s=(
            None
            if middle_s is None
            else tuple(
                nearest_time_s(shutter_s_from_tv(shutter_tv(middle_s) - ev)) for ev in offsets
            )
        ),
    )
