"""The frames of each body in the order in which they were taken.

Clocks of two bodies never agree, so that bodies are kept apart and no clock is compared with
another. Frames of one second without fractions follow the camera's counter, which starts anew after
9999.
"""

from collections.abc import Iterable, Sequence
from itertools import groupby

from audit.series.shot import Shot, counter_of


def streams(shots: Iterable[Shot]) -> list[list[Shot]]:
    """Frames by body, each in order of time.

    Parameters
    ----------
    shots : iterable of Shot

    Returns
    -------
    list of list of Shot
        In the order of the bodies' names. Frames without a time make a stream of their own, in
        the order of their names. The result does not depend on the order of the input.
    """
    bodies: dict[tuple[str, ...], list[Shot]] = {}
    for shot in shots:
        timed = "" if shot.start_s is None else "timed"
        key = (*(part or "" for part in shot.body), timed)
        bodies.setdefault(key, []).append(shot)
    return [
        in_order_of_time(bodies[key]) if key[-1] else in_order_of_names(bodies[key])
        for key in sorted(bodies)
    ]


def in_order_of_time(shots: Sequence[Shot]) -> list[Shot]:
    """Sort frames of one body that all have a time."""
    starts = start_times_s(shots)
    by_time = sorted(shots, key=lambda shot: (starts[shot.place], shot.row.folder, shot.name))
    return [
        shot
        for _, same in groupby(by_time, key=lambda shot: starts[shot.place])
        for shot in in_order_of_names(list(same))
    ]


def start_times_s(shots: Sequence[Shot]) -> dict[int, float]:
    """Start of each exposure by the caller's number.

    The zone is taken off where every frame has one: a clock that was moved on a journey then stays
    in order. Half a card without zones cannot be compared, so that the local time is kept.
    """
    offsets = [shot.offset_s for shot in shots]
    known = all(offset is not None for offset in offsets)
    return {
        shot.place: (shot.start_s or 0.0) - ((offset or 0.0) if known else 0.0)
        for shot, offset in zip(shots, offsets, strict=True)
    }


def in_order_of_names(shots: Sequence[Shot]) -> list[Shot]:
    """Sort frames by folder, sub-folder and counter; 0001 follows 9999 in one sub-folder."""
    by_name = sorted(shots, key=lambda shot: (shot.row.folder, _sub_folder(shot), shot.name))
    return [
        shot
        for _, near in groupby(by_name, key=lambda shot: (shot.row.folder, _sub_folder(shot)))
        for shot in _from_the_widest_gap(list(near))
    ]


def _from_the_widest_gap(shots: list[Shot]) -> list[Shot]:
    """Order by the counter as a ring, from the frame after its widest gap."""
    found = [(counter, shot) for shot in shots if (counter := counter_of(shot.name)) is not None]
    if len(found) < len(shots):
        return shots
    found.sort(key=lambda each: (each[0], each[1].name))
    counters, turn = [counter for (counter, _), _ in found], max(turn for (_, turn), _ in found)
    gaps = [
        (counters[i] - counters[i - 1]) % turn if i else counters[0] + turn - counters[-1]
        for i in range(len(counters))
    ]
    start = max(range(len(gaps)), key=lambda i: (gaps[i], -i))
    return [shot for _, shot in found[start:] + found[:start]]


def _sub_folder(shot: Shot) -> str:
    return shot.name.rpartition("/")[0]
