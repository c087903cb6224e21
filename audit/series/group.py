"""From the measured frames of a run to its series.

Each body's frames are taken in order of time, cut into groups of one framing, and each group is
asked in turn whether it is a bracket, shutter variants, a focus bracket or plain repeats.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import groupby

from audit.records import FindingCode
from audit.series.bracket import bracket, cycles, is_bracket
from audit.series.fisheye import fisheye_note, fisheye_runs
from audit.series.focus import focus_bracket, is_focus_bracket
from audit.series.found import FoundSeries
from audit.series.framing import Group, Placed, Views
from audit.series.remembered import Kept, Remembered
from audit.series.repeat import repeat
from audit.series.shot import Shot
from audit.series.shutter import is_shutter_variants, shutter_variants
from audit.series.sweep import Sweep
from audit.series.timeline import streams
from audit.series.told import incomplete_note, told_of, told_sets
from audit.settings import Settings


def find_series(
    shots: Iterable[Shot], settings: Settings, kept: Kept | None = None
) -> tuple[FoundSeries, ...]:
    """Find all series of a run.

    Parameters
    ----------
    shots : iterable of Shot
        Every measured frame, in any order.
    settings : Settings
    kept : Kept, optional
        Keeps how frames lie to each other, for the next run.

    Returns
    -------
    tuple of FoundSeries
        In the order of their first file. No frame belongs to two.
    """
    found: list[FoundSeries] = []
    remembered = Remembered(Views(), kept)
    for stream in streams(shots):
        sets, rest = told_sets(stream)
        for members in sets:
            found.extend(_told(members, settings, remembered))
        found.extend(_of_stream(rest, settings, remembered))
    return tuple(sorted(found, key=_first_file))


def _of_stream(
    stream: Sequence[Shot], settings: Settings, remembered: Remembered
) -> Iterator[FoundSeries]:
    """Series of one body's frames: what was turned on between, and what looks the same way."""
    for layout in remembered.layouts(stream):
        yield from (_panorama(sweep, settings, remembered) for sweep in layout.sweeps)
        taken = {id(position) for sweep in layout.sweeps for position in sweep.positions}
        unjoined = fisheye_runs([group for group in layout.groups if id(group) not in taken])
        yield from (_fisheye(positions, settings) for positions in unjoined)
        taken |= {id(position) for positions in unjoined for position in positions}
        for group in layout.groups:
            if id(group) not in taken:
                yield from series_of_framing(group, settings)


def _panorama(sweep: Sweep, settings: Settings, remembered: Remembered) -> FoundSeries:
    """One series of all frames of a sweep."""
    panorama, notes = remembered.panorama(sweep, settings)
    return replace(_swept(sweep.positions, settings), notes=notes, panorama=panorama)


def _fisheye(positions: Sequence[Group], settings: Settings) -> FoundSeries:
    """One series of frames that cannot be joined; all are needed if they are a sweep."""
    return replace(_swept(positions, settings), notes=(fisheye_note(positions),))


def _swept(positions: Sequence[Group], settings: Settings) -> FoundSeries:
    """All frames of a sweep, brackets at its positions included."""
    shots = tuple(member.shot for position in positions for member in position)
    excuses: dict[int, Mapping[FindingCode, str]] = {}
    for position in positions:
        if is_bracket(position):
            excuses.update(bracket(position, settings.limits).excuses)
    return FoundSeries(kind="panorama", shots=shots, order=shots, excuses=excuses)


def series_of_framing(group: Sequence[Placed], settings: Settings) -> list[FoundSeries]:
    """Series among the frames of one framing.

    Parameters
    ----------
    group : sequence of Placed
        In order of time.
    settings : Settings

    Returns
    -------
    list of FoundSeries
        Several where a bracket was repeated, or followed by repeats; none for a single frame.
    """
    found = []
    for part in _by_bracket_mode(group):
        if len(part) > 1 and not part[0].shot.exposure.composite and is_bracket(part):
            found.extend(_bracketed(part, settings))
        else:
            found.extend(_unbracketed(part, settings))
    return found


def _unbracketed(group: Sequence[Placed], settings: Settings) -> list[FoundSeries]:
    """Series of frames whose light was held."""
    if len(group) < 2:
        return []
    # A camera that made a frame of several exposures wrote one time and one distance for all.
    if not group[0].shot.exposure.composite:
        if is_shutter_variants(group):
            return [shutter_variants(group, settings.limits)]
        if is_focus_bracket(group):
            return [focus_bracket(group, settings)]
    return [repeat(group)]


def _bracketed(group: Sequence[Placed], settings: Settings) -> list[FoundSeries]:
    """Brackets of one framing, and what was taken at one exposure between them."""
    found: list[FoundSeries] = []
    parts = cycles(group)
    expected = max(_exposures(part) for part in parts)
    for is_whole, near in groupby(parts, key=lambda part: _exposures(part) > 1):
        if is_whole:
            found.extend(bracket(part, settings.limits, expected=expected) for part in near)
        else:
            found.extend(_unbracketed([member for part in near for member in part], settings))
    return found


def _by_bracket_mode(group: Sequence[Placed]) -> list[Group]:
    """Cut where an automatic bracket begins or ends: a test frame before it is none of it."""
    parts = [
        tuple(near)
        for _, near in groupby(group, key=lambda member: bool(member.shot.exposure.auto_bracket))
    ]
    automatic = [part for part in parts if part[0].shot.exposure.auto_bracket]
    return parts if any(len(part) > 1 for part in automatic) else [tuple(group)]


def _told(members: Sequence[Shot], settings: Settings, remembered: Remembered) -> list[FoundSeries]:
    """Series that the camera declared; the kind is guessed only where its word is unknown."""
    told = told_of(members[0].exposure.sequence)
    group = remembered.one_framing(members)
    kind = None if told is None else told.kind
    found: list[FoundSeries]
    if kind == "panorama":
        found = list(_of_stream(members, settings, remembered))
    elif kind == "exposure-bracket":
        found = [bracket(group, settings.limits)]
    elif kind == "focus-bracket":
        found = [focus_bracket(group, settings)]
    elif told is not None and told.is_kept_whole:
        found = [replace(repeat(group), best=None, spare={})]
    else:
        found = series_of_framing(group, settings)
    word = "" if told is None else f"The camera calls it '{told.type}'."
    notes = [word, *incomplete_note(members)]
    return [replace(each, notes=(*notes, *each.notes)) for each in found]


def _exposures(group: Sequence[Placed]) -> int:
    return len({member.shot.exposure_thirds for member in group})


def _first_file(found: FoundSeries) -> tuple[int, str]:
    return min((shot.row.folder, shot.name) for shot in found.shots)
