"""What to set before the walk, by the physics that judges the frames afterwards.

Pure: an `Asked` and the settings in, a `Plan` out; one module a question.
"""

from audit.plan.aperture import aperture_plan, chosen_aperture_n
from audit.plan.bracket import bracket_plan
from audit.plan.camera import focal_35mm_mm
from audit.plan.cautions import cautions_for
from audit.plan.depth import depth_plan, range_plan
from audit.plan.movement import hand_plan, star_plan, water_plan
from audit.plan.panorama import panorama_plan
from audit.plan.paper import print_plan
from audit.plan_records import Asked, Lens, Plan
from audit.records import Tool
from audit.settings import Settings
from audit.version import TOOL, __version__

__all__ = ["plan_of"]


def plan_of(asked: Asked, settings: Settings) -> Plan:
    """Answer everything that was asked.

    Parameters
    ----------
    asked : Asked
    settings : Settings
        Print, viewing distance and limits: those that judge frames.

    Returns
    -------
    Plan

    Raises
    ------
    SettingsError
        If distances, steps or fields contradict each other.
    """
    camera, focal_mm = asked.camera, asked.focal_mm
    paper = print_plan(camera, settings)
    apertures = aperture_plan(camera, focal_mm, paper, settings)
    turning = next((r for r in apertures.rows if r.aperture_n == apertures.turning_n), None)
    within = range_plan(camera, focal_mm, asked.depth, asked.aperture_n, turning, paper, settings)
    aperture_n = asked.aperture_n or chosen_aperture_n(
        apertures, None if within is None else within.aperture_n
    )
    lens = Lens(
        focal_mm=focal_mm,
        focal_35mm_mm=focal_35mm_mm(camera, focal_mm),
        aperture_n=aperture_n,
        aperture_is_chosen=asked.aperture_n is None,
    )
    return Plan(
        tool=Tool(name=TOOL, version=__version__),
        camera=camera,
        lens=lens,
        print=paper,
        aperture=apertures,
        depth=depth_plan(camera, focal_mm, aperture_n, asked.depth, within, paper, settings),
        hand=hand_plan(camera, focal_mm, paper, settings),
        water=None if asked.water is None else water_plan(asked.water, camera, focal_mm, paper),
        stars=(
            None
            if asked.stars is None
            else star_plan(asked.stars, camera, focal_mm, aperture_n, paper)
        ),
        panorama=(
            None
            if asked.panorama is None
            else panorama_plan(asked.panorama, camera, focal_mm, aperture_n, settings)
        ),
        bracket=None if asked.bracket is None else bracket_plan(asked.bracket),
        cautions=cautions_for(asked, lens.focal_35mm_mm),
    )
