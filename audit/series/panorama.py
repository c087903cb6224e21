"""Audits a sweep: does it join up, where is it weak, and how large a picture does it give."""

import math
from collections.abc import Iterator, Sequence

import numpy as np

from audit.optics.printing import print_long_cm
from audit.records import Panorama, PanoramaPair, Print
from audit.series.bend import BENDS
from audit.series.directions import angle_between
from audit.series.found import listed, named
from audit.series.framing import Views
from audit.series.laid_out import Joint, Sweep, lines_of, odd_steps
from audit.series.register import LEAST_OVERLAP_SHARE, Link
from audit.series.stitched import Camera, Stitched, stitched
from audit.series.weakest import Weakest, by_exposure, weakest_of
from audit.settings import Limits, Settings

CLOSE_CM = 25.0
"""Nearest distance of comfortable reading, as for a single frame."""

BESIDE_ASIDE_SHARE = 0.4
"""Neighbours proper lie in one row or column; corners that touch diagonally are not judged."""

WIDEST_FIELD_DEG = 115.0
"""A rectilinear frame of more is hardly made (12 mm on 24 x 36 mm: 112 degrees along)."""

LARGEST_CLOSURE_DEG = 3.0
"""Turns round a loop that fail to close by more show that the frames are not rectilinear."""

LARGEST_MISFIT_SHARE = 1 / 256
"""Parts of an overlap that lie apart by more of the long side, in the median, are told of
(project's choice; on development trips 2 of 109 pairs did)."""


def panorama_of(sweep: Sweep, views: Views, settings: Settings) -> tuple[Panorama, tuple[str, ...]]:
    """Audit one sweep.

    Parameters
    ----------
    sweep : Sweep
    views : Views
    settings : Settings

    Returns
    -------
    Panorama
        Sizes are ``None`` where a frame is unlinked, and where the focal length is only assumed.
    tuple of str
        Sentences for the reader.
    """
    limits = settings.limits
    name = [shot.name for shot in sweep.shots]
    beside = [joint for joint in sweep.joints if _is_beside(joint.link)]
    light = _offsets([(j.a, j.b, j.link.brightness_ev) for j in beside])
    uneven = [i for i, ev in sorted(light.items()) if abs(ev) > limits.uneven_exposure_ev]
    weakest = weakest_of(sweep, beside, limits)
    size, reason = _size(sweep, views)
    thin = [j for j in beside if j.link.overlap < limits.thin_overlap_share]
    panorama = Panorama(
        layout=sweep.layout,
        pairs=tuple(
            PanoramaPair(
                a=name[j.a],
                b=name[j.b],
                overlap=j.link.overlap,
                brightness_ev=j.link.brightness_ev,
            )
            for j in beside
        ),
        unlinked=tuple(name[i] for i in sweep.unlinked),
        gaps=tuple((name[b.a], name[b.b]) for b in sweep.breaks if not b.blank),
        weakest=None if weakest is None else weakest.shot.name,
        exposure_outliers=tuple(name[i] for i in uneven),
        stitched_width_px=size.width_px if size else None,
        stitched_height_px=size.height_px if size else None,
        print=_print(sweep, size, weakest, settings) if size else None,
        crop_width_px=size.crop_width_px if size else None,
        crop_height_px=size.crop_height_px if size else None,
        unverified=tuple((name[b.a], name[b.b]) for b in sweep.breaks if b.blank),
        possible_members=tuple(name[i] for i in sweep.possible),
        thin_pairs=tuple((name[j.a], name[j.b]) for j in thin),
        wander_deg=size.wander_deg if size else None,
        wander_cost_px=_wander_cost_px(size, sweep) if size else None,
        changed=_changed(sweep),
        focal_assumed=any(j.link.focal_assumed for j in sweep.joints),
    )
    sentences = [
        *_overlap_notes(beside, thin, sweep, limits),
        *(note for joint in beside for note in _misfit_notes(joint, sweep, views)),
        *_break_notes(sweep),
        *(_odd_note(sweep, joint) for joint in odd_steps(sweep, views)),
        *_change_notes(panorama, light, uneven, sweep),
        *([_weak_note(sweep, weakest)] if weakest is not None else []),
        *_size_notes(panorama, reason),
    ]
    return panorama, tuple(sentences)


# ---------------------------------------------------------------- frame by frame


def _is_beside(link: Link) -> bool:
    return min(abs(link.shift_x_share), abs(link.shift_y_share)) < BESIDE_ASIDE_SHARE


def _offsets(differences: Sequence[tuple[int, int, float | None]]) -> dict[int, float]:
    """Each joined frame's own offset from the differences of pairs: least squares, median 0."""
    known = [(a, b, value) for a, b, value in differences if value is not None]
    frames = sorted({i for a, b, _ in known for i in (a, b)})
    if not frames:
        return {}
    column = {frame: at for at, frame in enumerate(frames)}
    rows, right = np.zeros((len(known) + 1, len(frames))), np.zeros(len(known) + 1)
    for row, (a, b, value) in enumerate(known):
        rows[row, column[b]], rows[row, column[a]], right[row] = 1.0, -1.0, value
    rows[-1] = 1e-3
    solved = np.linalg.lstsq(rows, right, rcond=None)[0]
    solved -= np.median(solved)
    return {frame: float(solved[column[frame]]) for frame in frames}


# ---------------------------------------------------------------- size


def _size(sweep: Sweep, views: Views) -> tuple[Stitched | None, str]:
    """Size of the picture, or why none is given."""
    if sweep.unlinked or sweep.breaks:
        return None, "Sizes are left out, since the sweep does not join up."
    if any(joint.link.focal_assumed for joint in sweep.joints):
        return None, (
            "Sizes are left out: no focal length was written; overlaps rest on an assumed one."
        )
    cameras = []
    for i, shot in enumerate(sweep.shots):
        view, size_px = views.of(shot), shot.size_px
        if view is None or size_px is None:
            return None, "Sizes are left out: the size of a frame is not known."
        scale = size_px[0] / view.cols
        cameras.append(Camera(sweep.rotations[i], view.focal_px * scale, *size_px))
    if sweep.bend in (BENDS[0], BENDS[-1]):
        return None, (
            f"Sizes are left out: lines are bent by {100 * abs(sweep.bend):.0f} % or more in the "
            "corner. The lens is not rectilinear, or its focal length is not what the file says."
        )
    if odd_steps(sweep, views):
        return None, "Sizes are left out: a step differs from the others, and may be wrong."
    field_deg = 2 * math.degrees(math.atan(max(sweep.positions[0][0].fields)))
    if field_deg > WIDEST_FIELD_DEG:
        return None, (
            f"Sizes are left out: {field_deg:.0f} degrees along the frame is a fisheye's field; "
            "frames are joined as those of a rectilinear lens."
        )
    off_deg = max(_closures_deg(sweep), default=0.0)
    if off_deg > LARGEST_CLOSURE_DEG:
        return None, (
            f"Sizes are left out: the turns do not close by {off_deg:.1f} degrees. The lens is not "
            "rectilinear, or its focal length is not what the file says."
        )
    return stitched(cameras, lines_of(sweep, views), vertical=sweep.layout == "vertical"), ""


def _closures_deg(sweep: Sweep) -> Iterator[float]:
    """By how much each join differs from where the others place its frames."""
    for joint in sweep.joints:
        placed = sweep.rotations[joint.b] @ sweep.rotations[joint.a].T
        yield math.degrees(angle_between(joint.link.rotation, placed))


def _wander_cost_px(size: Stitched, sweep: Sweep) -> int:
    crop_px = size.crop_width_px if sweep.layout == "vertical" else size.crop_height_px
    return max(0, size.level_crop_px - crop_px)


def _print(
    sweep: Sweep, size: Stitched, weakest: Weakest | None, settings: Settings
) -> Print | None:
    """The print of the clean rectangle at the sharpness of its weakest frame."""
    widths = [w for shot in sweep.shots if (w := shot.edge_width_px) is not None]
    sides = sorted((size.crop_width_px, size.crop_height_px))
    if not widths or sides[0] <= 0:
        return None
    own = None if weakest is None else weakest.shot.edge_width_px
    edge_width_px = max(widths) if own is None else own
    sharp_px = settings.limits.fully_sharp_px

    def held_cm(viewing_cm: float, width_px: float) -> float:
        return print_long_cm(sides[1], viewing_cm, width_px, sharp_px)

    long_cm = held_cm(settings.viewing_cm, edge_width_px)
    wanted = settings.print_size
    return Print(
        long_cm=long_cm,
        short_cm=long_cm * sides[0] / sides[1],
        viewing_cm=settings.viewing_cm,
        limited_by="pixels" if edge_width_px <= sharp_px else "softness",
        close_long_cm=held_cm(CLOSE_CM, edge_width_px),
        target_long_cm=(
            settings.limits.keeper_share * held_cm(settings.viewing_cm, sharp_px)
            if wanted is None
            else wanted.long_cm
        ),
    )


# ---------------------------------------------------------------- what was changed


def _changed(sweep: Sweep) -> tuple[str, ...]:
    """What the camera's own settings say was changed from position to position."""
    read = [shot.exposure for shot in sweep.shots]
    kinds: dict[str, Sequence[float | None]] = {
        "exposure": [shot.exposure_thirds for shot in sweep.shots],
        "aperture": [each.aperture_n for each in read],
        "focal length": [each.focal_mm for each in read],
        "focus": [each.subject_distance_m for each in read],
    }
    return tuple(
        kind
        for kind, values in kinds.items()
        if len({value for value in values if value is not None}) > 1
    )


# ---------------------------------------------------------------- sentences


def _overlap_notes(
    beside: Sequence[Joint], thin: Sequence[Joint], sweep: Sweep, limits: Limits
) -> Iterator[str]:
    shares = sorted(joint.link.overlap for joint in beside)
    if shares:
        low, high = (round(100 * share) for share in (shares[0], shares[-1]))
        span = f"{low}" if low == high else f"{low} to {high}"
        yield f"Neighbours overlap by {span} % of a frame (usual: 20 to 30 %)."
    for joint in thin:
        yield (
            f"{_pair(sweep, joint.a, joint.b)} overlap by only {100 * joint.link.overlap:.0f} % "
            f"(limit {100 * limits.thin_overlap_share:.0f} %): joining is at risk."
        )
    if any(joint.link.focal_assumed for joint in beside):
        yield "No focal length was written: overlaps rest on an assumed 28 mm equivalent."


def _misfit_notes(joint: Joint, sweep: Sweep, views: Views) -> Iterator[str]:
    """Say where a turn alone does not lay two frames on each other."""
    view, size_px = views.of(sweep.shots[joint.a]), sweep.shots[joint.a].size_px
    if view is None or size_px is None:
        return
    share = joint.link.residual_px / max(view.rows, view.cols)
    if share > LARGEST_MISFIT_SHARE:
        yield (
            f"{_pair(sweep, joint.a, joint.b)} lie about {share * max(size_px):.0f} px apart where "
            "they overlap: the camera was moved and not only turned (parallax), or the subject "
            "moved. A seam may show."
        )


def _break_notes(sweep: Sweep) -> Iterator[str]:
    for each in sweep.breaks:
        pair = _pair(sweep, each.a, each.b)
        if each.blank:
            yield (
                f"Whether {pair} overlap cannot be verified: the sides that face each other are "
                "blank."
            )
        elif each.missing:
            frames = "a frame is" if each.missing == 1 else f"{each.missing} frames are"
            yield f"A gap: {frames} missing between {pair}."
        else:
            least = 100 * LEAST_OVERLAP_SHARE
            yield f"A gap: {pair} do not overlap, or by less than {least:.0f} %."
    if sweep.possible:
        names = listed([named(sweep.shots[i]) for i in sweep.possible])
        yield f"Possible member, not joined to any other: {names}."


def _change_notes(
    panorama: Panorama, light: dict[int, float], uneven: Sequence[int], sweep: Sweep
) -> Iterator[str]:
    if panorama.changed:
        yield f"Changed within the sweep: {listed(panorama.changed)}."
    for i in uneven:
        word = "brighter" if light[i] > 0 else "darker"
        yield f"{named(sweep.shots[i])} is {abs(light[i]):.1f} EV {word} than its neighbours."


def _odd_note(sweep: Sweep, joint: Joint) -> str:
    return (
        f"{_pair(sweep, joint.a, joint.b)}: the step differs from the others; check this join "
        f"({100 * joint.link.overlap:.0f} % of overlap)."
    )


def _weak_note(sweep: Sweep, weakest: Weakest) -> str:
    width = weakest.shot.edge_width_px
    edges = "" if width is None else f", edges of {width:.1f} px"
    shots = by_exposure(sweep, weakest.position)
    place = "" if len(shots) == 1 else f", of the position {listed([named(s) for s in shots])}"
    return (
        f"The weakest frame is {named(weakest.shot)}{place}: {100 * 2**weakest.loss_log2:.0f} % of "
        f"its neighbours' finest detail{edges}."
    )


def _size_notes(panorama: Panorama, reason: str) -> Iterator[str]:
    if reason:
        yield reason
        return
    yield (
        f"Stitched: {panorama.stitched_width_px} x {panorama.stitched_height_px} px; largest clean "
        f"rectangle {panorama.crop_width_px} x {panorama.crop_height_px} px."
    )
    if panorama.wander_deg is not None and panorama.wander_cost_px:
        yield (
            f"The sweep wanders by {panorama.wander_deg:.1f} degrees, which costs "
            f"{panorama.wander_cost_px} px of the clean rectangle."
        )


def _pair(sweep: Sweep, a: int, b: int) -> str:
    return f"{named(sweep.shots[a])} and {named(sweep.shots[b])}"
