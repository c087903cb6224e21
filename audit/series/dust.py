"""Sensor dust: weak dark spots at the same place of one body's sensor in unrelated frames.

Every frame of a body is added to a stack, each place with the weight that its own local spread
allows and with the strength that its f-number lets expect. What stays at its place adds up; scenes
do not. A spot must stand out of the stack, and still stand without the frame that speaks most for
it. Frames of one framing show one scene, so together they count as one.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from audit.optics.dust import REFERENCE_N, contrast_at, log_loss, relative_strength
from audit.records import AuditedFrame, DustSpot, Exposure, Series
from audit.series.dust_disc import REACH_PX, disc_of, snapped
from audit.series.dust_sheet import (
    BLOCK_PX,
    SIZES,
    WEIGHTS,
    Plane,
    SheetSize,
    contrast_table,
    per_pixel,
    sheet_sizes,
)
from audit.series.dust_stack import STACKED, Member, Stack, Sums

LEAST_FRAMES = 8
"""Independent frames of a body below which nothing is said (measured: docs/methods/dust.md)."""

LEAST_Z, LEAST_Z_WITHOUT = 5.0, 3.5
"""Standard errors by which a spot stands out of the stack: with all frames, and without the one
that speaks most for it (same source)."""

SURE_Z = 5.5
"""From here on a spot counts although only one frame shows it plainly (same source)."""

LEAST_SHOWING = 2
"""Frames that show a weaker one plainly (same source)."""

SEEN_Z = 3.0
"""Standard errors by which a spot shows in one frame (common practice: 3 sigma)."""

LARGEST_CONTRAST = 0.4
"""At f/16. Deeper marks that few textured frames share are parts of scenes (project's choice)."""

ASSUMED_N = 11.0
"""Aperture of a frame that names none: usual for landscapes (guess)."""

LARGEST_STEP_SEEN = 40.0
"""Contrast over spread that counts at most in the depth of a found spot (project's choice)."""

DISC_PX: tuple[tuple[float, ...], ...] = ((1.5, 2.1, 3.0), (2.1, 3.0), (2.1, 3.0, 4.2))
"""Diameters of the discs that each size is searched with, in its pixels: 0.3 to 3.3 % of the
width, each about 1.4 times the last."""

FIT_SHARES = tuple(0.0028 * 1.2**step for step in range(15))
"""Diameters that are tried on a found spot: 0.28 to 3.6 % of the long edge."""

MOST_SPOTS = 60
"""Candidates that are looked at again, the strongest first (project's choice)."""

BORDER_PX = 2


class SpotInFrame(NamedTuple):
    """A spot that one frame shows.

    Attributes
    ----------
    spot : int
        Index into the spots.
    contrast : float
        Measured in this frame, 0 to 1.
    """

    spot: int
    contrast: float


class Dust(NamedTuple):
    """All spots, strongest first for each body, and what each frame shows of them."""

    spots: tuple[DustSpot, ...]
    shown: tuple[tuple[SpotInFrame, ...], ...]


class Word(NamedTuple):
    """What one frame says of a place.

    Attributes
    ----------
    member : Member
    share : float
        Part of the one vote of its framing.
    cut_depth : float
        Log luminance that is missing, contrast cut as in the stack.
    depth : float
        The same, not cut.
    error : float
        Standard error of both.
    """

    member: Member
    share: float
    cut_depth: float
    depth: float
    error: float


@dataclass(slots=True, kw_only=True)
class Candidate:
    """A place that stands out of a stack, and what single frames say of it."""

    size: int
    row: int
    col: int
    offset: tuple[float, float]
    """Of the middle of the spot from the pixel's, in pixels, rows first."""
    disc: Plane
    z: float
    noise: float
    """Standard deviation of the stack's own z, which should be 1 and is not."""
    shape: tuple[int, int]
    words: list[Word] = field(default_factory=list)
    fit_evidence: NDArray[np.float64] = field(
        default_factory=lambda: np.zeros((SIZES, len(FIT_SHARES)))
    )
    fit_weight: NDArray[np.float64] = field(default_factory=lambda: np.zeros(SIZES))
    fit_discs: list[NDArray[np.float64]] = field(default_factory=list)

    @property
    def place(self) -> tuple[float, float]:
        """Row and column of the middle, as shares of the sides."""
        rows, cols = self.shape
        return (
            (self.row + 0.5 + self.offset[0]) / rows,
            (self.col + 0.5 + self.offset[1]) / cols,
        )


def find_dust(
    frames: Sequence[AuditedFrame],
    independent_of: Sequence[Hashable],
    view_of: Callable[[int], NDArray[np.uint8] | None],
) -> Dust:
    """Find the spots of every body, and the frames that show them.

    Parameters
    ----------
    frames : sequence of AuditedFrame
        Measured ones, in order of time: frames of one framing follow each other.
    independent_of : sequence of hashable
        One entry a frame: neighbours with equal entries show one scene in one framing. So do
        neighbours whose pictures are alike, whatever their entries.
    view_of : callable
        Gives the ``sensor`` picture of the frame of an index, or ``None``. Asked frame by frame,
        twice for bodies that may have dust, so that no more than one is held at a time.

    Returns
    -------
    Dust
        Without a word on bodies with fewer than `LEAST_FRAMES` independent frames.
    """
    spots: list[DustSpot] = []
    shown: list[list[SpotInFrame]] = [[] for _ in frames]
    for body, places in _bodies(frames, independent_of):
        stack = Stack()
        for place in places:
            sizes = _sizes(view_of, place)
            if sizes is not None:
                stack.add(place, sizes, _strength(frames[place]), independent_of[place])
        stack.close()
        for candidate in _confirmed(stack, view_of):
            spot, seen = _described(candidate, body, frames)
            if spot.frames < (1 if candidate.z >= SURE_Z else LEAST_SHOWING):
                continue
            for place, contrast in seen:
                shown[place].append(SpotInFrame(len(spots), contrast))
            spots.append(spot)
    return Dust(tuple(spots), tuple(tuple(each) for each in shown))


def _bodies(
    frames: Sequence[AuditedFrame], independent_of: Sequence[Hashable]
) -> Iterator[tuple[str, list[int]]]:
    """Frames of each body and stored size, if there may be enough."""
    groups: dict[tuple[str, int, int], list[int]] = {}
    for place, frame in enumerate(frames):
        body = None if frame.exposure is None else body_name(frame.exposure)
        if body is not None and frame.sensor is not None:
            # Another size or turn of the stored frame is another place of the sensor.
            key = body, frame.sensor.width_px, frame.sensor.height_px
            groups.setdefault(key, []).append(place)
    for (body, *_), places in groups.items():
        if len({independent_of[place] for place in places}) >= LEAST_FRAMES:
            yield body, places


def body_name(exposure: Exposure) -> str | None:
    """Make, model and serial number of a body, as far as known; ``None``: not even a model."""
    if exposure.model is None:
        return None
    parts = (exposure.make, exposure.model, exposure.body_serial)
    return " ".join(part for part in parts if part)


def one_framing(series: Sequence[Series]) -> dict[str, str]:
    """Series whose frames show one scene in one framing, by their id; a panorama does not."""
    return {each.id: each.id for each in series if each.kind != "panorama"}


def _strength(frame: AuditedFrame) -> float:
    named = None if frame.exposure is None else frame.exposure.aperture_n
    return relative_strength(named or ASSUMED_N)


def _sizes(
    view_of: Callable[[int], NDArray[np.uint8] | None], index: int
) -> tuple[SheetSize, ...] | None:
    sheet = view_of(index)
    return None if sheet is None else sheet_sizes(sheet)


# ---------------------------------------------------------------- the stack


def _candidates(stack: Sums) -> list[Candidate]:
    """Places that stand out, strongest first, each once."""
    found = [
        candidate
        for size in range(len(stack.evidence))
        for diameter_px in DISC_PX[size]
        for candidate in _peaks(stack, size, disc_of(diameter_px))
    ]
    kept: list[Candidate] = []
    for candidate in sorted(found, key=lambda each: -each.z):
        if not any(_is_same(candidate, other) for other in kept):
            kept.append(candidate)
    return kept[:MOST_SPOTS]


def _peaks(stack: Sums, size: int, disc: Plane) -> Iterator[Candidate]:
    """Darkest places of one size for one disc."""
    evidence, turned = stack.evidence[size], disc[::-1, ::-1]
    weight = per_pixel(stack.weight[size], evidence.shape)
    known = weight > 0
    if not known.any():
        return
    variance = np.maximum(
        scipy.signal.fftconvolve(weight, turned * turned, mode="same"), weight.max() * 1e-6
    )
    z = np.where(
        known, -scipy.signal.fftconvolve(evidence, turned, mode="same") / np.sqrt(variance), 0.0
    )
    noise = _noise(z, weight, known)
    z /= noise
    is_peak = (scipy.ndimage.maximum_filter(z, 5) == z) & (z >= LEAST_Z)
    for row, col in np.argwhere(is_peak):
        if min(row, col, z.shape[0] - 1 - row, z.shape[1] - 1 - col) >= BORDER_PX:
            yield Candidate(
                size=size,
                row=int(row),
                col=int(col),
                offset=(_vertex(z[row - 1 : row + 2, col]), _vertex(z[row, col - 1 : col + 2])),
                disc=disc,
                z=float(z[row, col]),
                noise=float(noise[row, col]),
                shape=z.shape,
            )


def _noise(z: NDArray[np.float64], weight: Plane, known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Standard deviation that z really has, by pixel: what is textured in all frames has more.

    Pixels of like weight are taken together. It never counts as less than 1: below the floor of
    the spread lie the lasting unevennesses of lens and sky.
    """
    noise = np.ones(z.shape)
    bounds = np.quantile(weight[known], np.linspace(0, 1, WEIGHT_CLASSES + 1)[1:-1])
    classes = np.searchsorted(bounds, weight)
    for number in range(WEIGHT_CLASSES):
        members = known & (classes == number)
        if members.any():
            noise[members] = max(SD_PER_MEDIAN * float(np.median(np.abs(z[members]))), 1.0)
    return noise


WEIGHT_CLASSES = 8
"""Enough to tell sky from ground, few enough for thousands of pixels each (project's choice)."""

SD_PER_MEDIAN = 1.4826
"""Standard deviation over the median of the absolute value, normal spread."""


def _vertex(three: NDArray[np.float64]) -> float:
    """Place of the top of a parabola through three neighbours, from the middle one."""
    bend = three[0] - 2 * three[1] + three[2]
    return 0.0 if bend >= 0 else float(np.clip((three[0] - three[2]) / (2 * bend), -0.5, 0.5))


def _is_same(a: Candidate, b: Candidate) -> bool:
    """Whether two candidates lie within one spot; ``b`` is the stronger."""
    aspect = b.shape[0] / b.shape[1]
    down = (a.place[0] - b.place[0]) * aspect
    across = a.place[1] - b.place[1]
    widest = max(DISC_PX[each.size][-1] / each.shape[1] for each in (a, b))
    return bool(np.hypot(down, across) < 1.5 * widest)


# ---------------------------------------------------------------- single frames


def _confirmed(stack: Stack, view_of: Callable[[int], NDArray[np.uint8] | None]) -> list[Candidate]:
    """Candidates that do not hang on one frame."""
    total = stack.total
    candidates = [] if total is None or len(stack.votes) < LEAST_FRAMES else _candidates(total)
    if total is None or not candidates:
        return []
    for candidate in candidates:
        _prepare_fit(candidate, total)
    for member in stack.members:
        sizes = _sizes(view_of, member.place)
        if sizes is None or sizes[0].contrast.shape != total.evidence[0].shape:
            continue
        for candidate in candidates:
            _note(candidate, member, sizes, stack.share(member))
    return [each for each in candidates if _holds(each)]


def _prepare_fit(candidate: Candidate, stack: Sums) -> None:
    """Discs of every diameter at the candidate's place, in each size."""
    for evidence in stack.evidence:
        rows, cols = evidence.shape
        row, col = candidate.place[0] * rows - 0.5, candidate.place[1] * cols - 0.5
        offset = (snapped(row - round(row)), snapped(col - round(col)))
        discs = [disc_of(share * max(rows, cols), offset).ravel() for share in FIT_SHARES]
        candidate.fit_discs.append(np.stack(discs).astype(np.float64))


def _note(candidate: Candidate, member: Member, sizes: Sequence[SheetSize], share: float) -> None:
    """Take down what one frame says of a candidate."""
    strength = member.strength
    for number, size in enumerate(sizes):
        rows, cols = size.contrast.shape
        row = round(candidate.place[0] * rows - 0.5)
        col = round(candidate.place[1] * cols - 0.5)
        if number == candidate.size:
            row, col = candidate.row, candidate.col
        block = min(row, rows - 1) // BLOCK_PX, min(col, cols - 1) // BLOCK_PX
        weight = float(WEIGHTS[size.spread[block]])
        if weight == 0:
            continue
        codes, scale = _around(size, row, col)
        contrast = _SEEN[codes] * scale
        candidate.fit_evidence[number] -= (
            share * strength * weight**2 * (candidate.fit_discs[number] @ contrast.ravel())
        )
        candidate.fit_weight[number] += share * strength**2 * weight**2
        if number == candidate.size:
            power = float((candidate.disc**2).sum())
            cut = STACKED[codes] * scale
            candidate.words.append(
                Word(
                    member,
                    share,
                    -float((candidate.disc * cut).sum()) / power,
                    -float((candidate.disc * contrast).sum()) / power,
                    candidate.noise / weight / power**0.5,
                )
            )


def _around(size: SheetSize, row: int, col: int) -> tuple[NDArray[np.uint8], Plane]:
    """Codes and spreads around a pixel; 0 beyond the border."""
    rows, cols = size.contrast.shape
    down = np.arange(row - REACH_PX, row + REACH_PX + 1)
    across = np.arange(col - REACH_PX, col + REACH_PX + 1)
    inside = ((down >= 0) & (down < rows))[:, None] & ((across >= 0) & (across < cols))
    at_row, at_col = down.clip(0, rows - 1)[:, None], across.clip(0, cols - 1)
    weights = WEIGHTS[size.spread[at_row // BLOCK_PX, at_col // BLOCK_PX]]
    scale = np.where(inside & (weights > 0), 1 / np.maximum(weights, 1e-9), 0.0)
    return size.contrast[at_row, at_col], scale.astype(np.float32)


def _holds(candidate: Candidate) -> bool:
    """Whether a candidate stands without the framing that speaks most for it."""
    spoken: dict[int, float] = defaultdict(float)
    weight: dict[int, float] = defaultdict(float)
    for word in candidate.words:
        member = word.member
        precision = word.share * member.strength / word.error**2
        spoken[member.framing] += precision * word.cut_depth
        weight[member.framing] += precision * member.strength
    if len(spoken) < 2:
        return False
    loudest = max(spoken, key=lambda framing: spoken[framing])
    depth = sum(spoken.values()) / sum(weight.values())
    z = (sum(spoken.values()) - spoken[loudest]) / (sum(weight.values()) - weight[loudest]) ** 0.5
    return z >= LEAST_Z_WITHOUT and depth <= log_loss(LARGEST_CONTRAST)


def _described(
    candidate: Candidate, body: str, frames: Sequence[AuditedFrame]
) -> tuple[DustSpot, list[tuple[int, float]]]:
    """A confirmed spot, and the frames that show it with its contrast there."""
    diameter_share, response = _fitted(candidate)
    contrast = _contrast(candidate, response)
    seen = [
        (word.member.place, -math.expm1(-word.depth / response))
        for word in candidate.words
        if _shows(word, contrast, response)
    ]
    sensor = frames[candidate.words[0].member.place].sensor
    if sensor is None:
        raise ValueError("a stacked frame has a sensor")
    across_px = diameter_share * max(sensor.width_px, sensor.height_px)
    pitch_um = sensor.pitch_um
    row, col = candidate.place
    spot = DustSpot(
        body=body,
        x_share=round(col, 5),
        y_share=round(row, 5),
        diameter_share=round(across_px / sensor.width_px, 5),
        contrast=round(contrast, 4),
        frames=len(seen),
        aperture_n=REFERENCE_N,
        diameter_um=None if pitch_um is None else float(round(across_px * pitch_um)),
        stacked_frames=len(candidate.words),
        z=round(candidate.z, 1),
        files=tuple(frames[index].file for index, _ in seen),
    )
    return spot, seen


def _contrast(candidate: Candidate, response: float) -> float:
    """Contrast at `REFERENCE_N`: the middle of what the frames say, by what they can say."""
    depths = np.array([word.depth / word.member.strength for word in candidate.words])
    votes = [word.share * (word.member.strength / word.error) ** 2 for word in candidate.words]
    depth = max(_weighted_median(depths, np.array(votes)) / response, 0.0)
    return min(-math.expm1(-depth), LARGEST_CONTRAST)


def _shows(word: Word, contrast: float, response: float) -> bool:
    """Whether a frame is plain enough for a spot to be expected in it, and has it."""
    expected = log_loss(contrast_at(contrast, REFERENCE_N * word.member.strength**0.5))
    return min(word.depth, expected * response) >= SEEN_Z * word.error


def _fitted(candidate: Candidate) -> tuple[float, float]:
    """Diameter that explains all sizes best, and what the search disc sees of such a disc."""
    gains = np.zeros(len(FIT_SHARES))
    for number in range(len(FIT_SHARES)):
        power = np.array([(discs[number] ** 2).sum() for discs in candidate.fit_discs])
        weight = float((candidate.fit_weight * power).sum())
        evidence = float(candidate.fit_evidence[:, number].sum())
        if evidence > 0 and weight > 0:
            gains[number] = evidence**2 / weight
    best = int(gains.argmax())
    disc = candidate.disc.ravel()
    response = float((candidate.fit_discs[candidate.size][best] * disc).sum() / (disc * disc).sum())
    return FIT_SHARES[best], max(response, 0.1)


def _weighted_median(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    order = values.argsort()
    cumulated = weights[order].cumsum()
    return float(values[order][np.searchsorted(cumulated, cumulated[-1] / 2)])


_SEEN = contrast_table(LARGEST_STEP_SEEN)
