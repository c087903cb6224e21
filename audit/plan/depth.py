"""Depth of field and hyperfocal distance for the print, beside the rules of film."""

import math

from audit.errors import SettingsError
from audit.optics.blur import disc_sigma_px, rise_from_sigma_px
from audit.optics.depth_of_field import (
    FILM_COC_MM,
    blur_disc_mm,
    coc_for_print_mm,
    coc_from_diagonal_mm,
    far_limit_m,
    focus_between_m,
    hyperfocal_m,
    near_limit_m,
)
from audit.optics.diffraction import ceiling_edge_width_px
from audit.plan.aperture import coc_beside_diffraction_mm
from audit.plan.camera import diagonal_of_mm
from audit.plan.marks import APERTURES_N
from audit.plan.paper import held_cm
from audit.plan_records import (
    ApertureRow,
    CameraFacts,
    DepthAsked,
    DepthPlan,
    DepthRow,
    DepthRuleName,
    FilmTrap,
    FocusBracket,
    PrintPlan,
    RangePlan,
)
from audit.settings import Settings


def depth_plan(
    camera: CameraFacts,
    focal_mm: float,
    aperture_n: float,
    asked: DepthAsked,
    within: RangePlan | None,
    paper: PrintPlan,
    settings: Settings,
) -> DepthPlan:
    """Say what is sharp enough by each meaning of sharp.

    Parameters
    ----------
    camera : CameraFacts
    focal_mm, aperture_n : float
    asked : DepthAsked
    within : RangePlan or None
        Of `range_plan`; its focus stands where none was asked for.
    paper : PrintPlan
    settings : Settings

    Returns
    -------
    DepthPlan

    Raises
    ------
    SettingsError
        If the focus lies within the focal length.
    """
    focus_m = asked.focus_m if asked.focus_m is not None or within is None else within.focus_m
    if focus_m is not None:
        _require_beyond_lens(focus_m, focal_mm)
    discs: tuple[tuple[DepthRuleName, float | None], ...] = (
        ("print-and-lens", coc_beside_diffraction_mm(aperture_n, camera, paper)),
        ("print", coc_for_print_mm(camera.width_mm, paper.long_cm, paper.viewing_cm)),
        ("diagonal-1500", coc_from_diagonal_mm(diagonal_of_mm(camera))),
        ("film", FILM_COC_MM),
    )
    at_infinity = focus_m is not None and math.isinf(focus_m)
    return DepthPlan(
        focus_m=None if at_infinity else focus_m,
        focus_at_infinity=at_infinity,
        rows=tuple(
            _depth_row(rule, coc_mm, camera, focal_mm, aperture_n, focus_m)
            for rule, coc_mm in discs
        ),
        film_trap=_film_trap(camera, focal_mm, aperture_n, settings),
        range=within,
    )


def range_plan(
    camera: CameraFacts,
    focal_mm: float,
    asked: DepthAsked,
    aperture_n: float | None,
    turning: ApertureRow | None,
    paper: PrintPlan,
    settings: Settings,
) -> RangePlan | None:
    """One focus and one aperture for a near and a far point; ``None`` where no near one is asked.

    Parameters
    ----------
    camera : CameraFacts
    focal_mm : float
    asked : DepthAsked
        The far point is infinity where it is left out.
    aperture_n : float or None
        The aperture asked for; without one, the marked one at which both points are sharpest.
    turning : ApertureRow or None
        The aperture of the greatest depth, at which a focus bracket is planned.
    paper : PrintPlan
    settings : Settings

    Raises
    ------
    SettingsError
        If the far point is nearer than the near one, or the near one within the focal length.
    """
    if asked.near_m is None:
        return None
    far_m = math.inf if asked.far_m is None else asked.far_m
    if far_m < asked.near_m:
        raise SettingsError(
            f"--far: expected a distance beyond the near one, {asked.near_m:g} m, found {far_m:g} m"
        )
    _require_beyond_lens(asked.near_m, focal_mm)
    focus_m = focus_between_m(asked.near_m, far_m)

    def edge_px(n: float) -> float:
        disc_mm = blur_disc_mm(focal_mm, n, focus_m, asked.near_m or focus_m)
        return edge_with_disc_px(n, camera, disc_mm)

    best_n = min(APERTURES_N, key=edge_px) if aperture_n is None else aperture_n
    long_cm = held_cm(camera.width_px, edge_px(best_n), settings)
    holds = paper.edge_width_px is not None and edge_px(best_n) <= paper.edge_width_px
    return RangePlan(
        near_m=asked.near_m,
        far_m=None if math.isinf(far_m) else far_m,
        to_infinity=math.isinf(far_m),
        focus_m=focus_m,
        aperture_n=best_n,
        edge_width_px=edge_px(best_n),
        long_cm=long_cm,
        holds=holds,
        bracket=None if holds else _focus_bracket(focal_mm, asked.near_m, far_m, turning),
    )


def _focus_bracket(
    focal_mm: float, near_m: float, far_m: float, turning: ApertureRow | None
) -> FocusBracket | None:
    """Fewest frames that are sharp for the print from near to far, at the greatest depth.

    In dioptres (1 / m) each frame reaches (1 - f / s) / (H - f) to either side of its focus s:
    Greenleaf's limits, rewritten. Taken as at the near point, where it is least.
    """
    if turning is None or turning.hyperfocal_m is None:
        return None
    focal_m = focal_mm / 1000
    reach = (1 - focal_m / near_m) / (turning.hyperfocal_m - focal_m)
    span = 1 / near_m - 1 / far_m
    frames = max(1, math.ceil(span / (2 * reach)))
    return FocusBracket(
        aperture_n=turning.aperture_n,
        focus_m=tuple(1 / (1 / near_m - span * (place + 0.5) / frames) for place in range(frames)),
    )


def edge_with_disc_px(aperture_n: float, camera: CameraFacts, disc_mm: float) -> float:
    """Edge width of a perfect lens with a disc of defocus: variances add (`optics.blur`)."""
    disc_px = 1000 * disc_mm / camera.pitch_um
    own_px = ceiling_edge_width_px(aperture_n, camera.pitch_um)
    return math.hypot(own_px, rise_from_sigma_px(disc_sigma_px(disc_px)))


def _depth_row(
    rule: DepthRuleName,
    coc_mm: float | None,
    camera: CameraFacts,
    focal_mm: float,
    aperture_n: float,
    focus_m: float | None,
) -> DepthRow:
    if coc_mm is None:
        return DepthRow(
            rule=rule,
            coc_mm=None,
            coc_px=None,
            hyperfocal_m=None,
            near_m=None,
            far_m=None,
            to_infinity=False,
        )
    hyperfocal = hyperfocal_m(focal_mm, aperture_n, coc_mm)
    focused_m = hyperfocal if focus_m is None else focus_m
    far_m = far_limit_m(focal_mm, aperture_n, coc_mm, focused_m)
    return DepthRow(
        rule=rule,
        coc_mm=coc_mm,
        coc_px=1000 * coc_mm / camera.pitch_um,
        hyperfocal_m=hyperfocal,
        near_m=near_limit_m(focal_mm, aperture_n, coc_mm, focused_m),
        far_m=None if math.isinf(far_m) else far_m,
        to_infinity=math.isinf(far_m),
    )


def _film_trap(
    camera: CameraFacts, focal_mm: float, aperture_n: float, settings: Settings
) -> FilmTrap:
    """Infinity, seen by a lens focused at the hyperfocal distance of the film rule."""
    focus_m = hyperfocal_m(focal_mm, aperture_n, FILM_COC_MM)
    disc_mm = blur_disc_mm(focal_mm, aperture_n, focus_m, math.inf)
    edge_px = edge_with_disc_px(aperture_n, camera, disc_mm)
    return FilmTrap(
        focus_m=focus_m,
        disc_px=1000 * disc_mm / camera.pitch_um,
        edge_width_px=edge_px,
        long_cm=held_cm(camera.width_px, edge_px, settings),
    )


def _require_beyond_lens(distance_m: float, focal_mm: float) -> None:
    if distance_m * 1000 <= focal_mm:
        raise SettingsError(
            f"expected a distance beyond the focal length, {focal_mm:g} mm, found {distance_m:g} m"
        )
