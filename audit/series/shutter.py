"""Shutter variants: one framing and one brightness, other times, to draw the water otherwise."""

from collections.abc import Sequence

from audit.optics.exposure import THIRDS_PER_EV, water_look
from audit.records import FindingCode
from audit.series.found import FoundSeries, listed, named, sharpest_first
from audit.series.framing import Placed
from audit.series.shot import Shot
from audit.series.tiles import stillest_loss_log2
from audit.settings import Limits

LEAST_RANGE_EV = 0.9
"""A change of the time by less hardly changes the look of water (common practice, no source: the
looks are two stops and more apart)."""


def is_shutter_variants(group: Sequence[Placed]) -> bool:
    """Whether the time was changed while the light was held; ask after brackets.

    Parameters
    ----------
    group : sequence of Placed
        Frames of one framing that are no bracket. A grey filter is not written by the camera: then
        the settings let more light in and the brightness stays.
    """
    thirds = [t for member in group if (t := member.shot.shutter_thirds) is not None]
    return len(thirds) > 1 and max(thirds) - min(thirds) >= LEAST_RANGE_EV * THIRDS_PER_EV


def shutter_variants(group: Sequence[Placed], limits: Limits) -> FoundSeries:
    """Say how each time draws water, and whether what stood still is sharp in all.

    Parameters
    ----------
    group : sequence of Placed
        Frames of one framing, in order of time.
    limits : Limits

    Returns
    -------
    FoundSeries
        The looks are common practice and know nothing of the water's speed and distance.
    """
    shots = tuple(member.shot for member in group)
    soft, still_notes = _still_parts(group, limits)
    return FoundSeries(
        kind="shutter-variants",
        shots=shots,
        order=sharpest_first(shots),
        notes=(*_look_notes(shots), *still_notes),
        excuses={shot.place: dict(_EXCUSES) for shot in shots if shot not in soft},
    )


_EXCUSES: dict[FindingCode, str] = {
    "subject-motion": "one of several shutter times: the water is drawn on purpose"
}


def _look_notes(shots: Sequence[Shot]) -> list[str]:
    """How water looks at each time, shortest first: the word alone, its meaning is in the docs."""
    timed = [(time_s, shot) for shot in shots if (time_s := shot.exposure.shutter_s)]
    timed.sort(key=lambda each: each[0])
    looks = [
        f"{water_look(time_s).value.partition(':')[0]} at {time_text(time_s)} ({named(shot)})"
        for time_s, shot in timed
    ]
    return [f"Water, by common practice and not measured: {listed(looks)}."]


def time_text(time_s: float) -> str:
    """A shutter time as the trade writes it.

    >>> time_text(1 / 60), time_text(1.5)
    ('1/60 s', '1.5 s')
    """
    return f"1/{1 / time_s:.0f} s" if time_s < FIRST_DECIMAL_S else f"{time_s:.3g} s"


FIRST_DECIMAL_S = 0.3
"""From here on cameras write the time as a decimal (common practice, no source)."""


SOFT_LOSS_LOG2 = 1.0
"""Still parts that lost half the energy of their detail are called soft (project's choice)."""


def _still_parts(group: Sequence[Placed], limits: Limits) -> tuple[list[Shot], list[str]]:
    """Frames whose still parts are soft, and what is said of it.

    The edge width of a frame is that of its sharpest well-supported part, which stands still. Where
    a frame has too few edges, the tiles that lost least detail stand for them.
    """
    shots = [member.shot for member in group]
    if any(shot.row.depth == "first-look" for shot in shots):
        return [], ["Whether the still parts are sharp in all, a first look cannot tell."]
    widths = [width for shot in shots if (width := shot.edge_width_px) is not None]
    if len(widths) == len(shots):
        best_px = min(widths)
        widest_px = limits.at_limit_ratio * max(best_px, limits.fully_sharp_px)
        soft = [shot for shot in shots if (shot.edge_width_px or 0.0) > widest_px]
        words = [f"edges of {shot.edge_width_px:.1f} px against {best_px:.1f} px" for shot in soft]
        return soft, _still_notes(soft, words)
    losses = stillest_loss_log2(group)
    if losses is None:
        return [], ["Whether the still parts are sharp in all cannot be told: too little detail."]
    lost = {shot.place: loss for shot, loss in zip(shots, losses, strict=True)}
    soft = [shot for shot in shots if lost[shot.place] > SOFT_LOSS_LOG2]
    words = [f"{2 ** lost[shot.place]:.1f} times less energy of fine detail" for shot in soft]
    return soft, _still_notes(soft, words)


def _still_notes(soft: Sequence[Shot], words: Sequence[str]) -> list[str]:
    if not soft:
        return ["What stands still is sharp in all."]
    return [
        f"Still parts of {named(shot)} are softer: {how}."
        for shot, how in zip(soft, words, strict=True)
    ]
