"""How far to stop down: what diffraction takes from the print, and where depth turns.

Depth here is depth *for the print of the plan*: an edge may be as wide as `PrintPlan.edge_width_px`
allows, diffraction and the pixel take their part of that, and what is left is room for defocus.
Stopping down makes the disc of defocus smaller and the room smaller too. While the room lasts the
hyperfocal distance comes nearer; past the turning aperture it moves away again, and the print is
lost on top.
"""

from audit.optics.blur import disc_within_edge_width_px
from audit.optics.depth_of_field import hyperfocal_m
from audit.optics.diffraction import (
    DiffractionCriterion,
    airy_diameter_um,
    ceiling_edge_width_px,
    diffraction_limited_n,
)
from audit.plan.marks import APERTURES_N
from audit.plan.paper import held_cm
from audit.plan_records import AperturePlan, ApertureRow, CameraFacts, PrintPlan
from audit.settings import Settings


def aperture_plan(
    camera: CameraFacts, focal_mm: float, paper: PrintPlan, settings: Settings
) -> AperturePlan:
    """Lay out the third stops and find where they turn.

    Parameters
    ----------
    camera : CameraFacts
    focal_mm : float
    paper : PrintPlan
    settings : Settings

    Returns
    -------
    AperturePlan
    """
    rows = tuple(aperture_row(n, camera, focal_mm, paper, settings) for n in APERTURES_N)
    criterion = DiffractionCriterion(settings.limits.diffraction_criterion)
    holding = [row.aperture_n for row in rows if row.holds]
    deep = [(row.hyperfocal_m, row.aperture_n) for row in rows if row.hyperfocal_m is not None]
    return AperturePlan(
        criterion=criterion.value,
        criterion_meaning=criterion.meaning,
        limited_n=diffraction_limited_n(camera.pitch_um, criterion),
        smallest_holding_n=max(holding, default=None),
        turning_n=min(deep)[1] if deep else None,
        rows=rows,
    )


def aperture_row(
    aperture_n: float,
    camera: CameraFacts,
    focal_mm: float,
    paper: PrintPlan,
    settings: Settings,
) -> ApertureRow:
    """What a perfect lens gives at one aperture."""
    edge_px = ceiling_edge_width_px(aperture_n, camera.pitch_um)
    long_cm = held_cm(camera.width_px, edge_px, settings)
    coc_mm = coc_beside_diffraction_mm(aperture_n, camera, paper)
    return ApertureRow(
        aperture_n=aperture_n,
        airy_px=airy_diameter_um(aperture_n) / camera.pitch_um,
        edge_width_px=edge_px,
        long_cm=long_cm,
        cost_cm=paper.largest_long_cm - long_cm,
        holds=paper.edge_width_px is not None and edge_px <= paper.edge_width_px,
        hyperfocal_m=None if coc_mm is None else hyperfocal_m(focal_mm, aperture_n, coc_mm),
    )


def coc_beside_diffraction_mm(
    aperture_n: float, camera: CameraFacts, paper: PrintPlan
) -> float | None:
    """Largest disc of defocus with which an edge holds at the print, beside diffraction and pixel.

    Returns
    -------
    float or None
        Diameter in mm; ``None`` where nothing is left for it.
    """
    if paper.edge_width_px is None:
        return None
    own_px = ceiling_edge_width_px(aperture_n, camera.pitch_um)
    disc_px = disc_within_edge_width_px(paper.edge_width_px, own_px)
    return disc_px * camera.pitch_um / 1000 if disc_px > 0 else None


def chosen_aperture_n(apertures: AperturePlan, depth_n: float | None) -> float:
    """Aperture of a plan for which none was asked.

    Parameters
    ----------
    apertures : AperturePlan
    depth_n : float or None
        Best aperture for a near and a far point, where such were given.

    Returns
    -------
    float
        That one; else the turning one; else the last mark before the criterion of diffraction.
    """
    if depth_n is not None:
        return depth_n
    if apertures.turning_n is not None:
        return apertures.turning_n
    marks = [row.aperture_n for row in apertures.rows]
    return max((n for n in marks if n <= apertures.limited_n), default=marks[0])
