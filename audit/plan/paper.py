"""The print of a plan, as the audit holds frames against it."""

from audit.optics.printing import pixels_per_arcmin, print_edge_width_px, print_long_cm
from audit.plan_records import CameraFacts, PrintPlan
from audit.settings import Settings


def print_plan(camera: CameraFacts, settings: Settings) -> PrintPlan:
    """Choose the print and say what it asks of a frame.

    Parameters
    ----------
    camera : CameraFacts
    settings : Settings
        The print asked for; without one, ``keeper_share`` of what a fully sharp frame gives.

    Returns
    -------
    PrintPlan
    """
    sharp_px, viewing_cm = settings.limits.fully_sharp_px, settings.viewing_cm
    largest_cm = held_cm(camera.width_px, sharp_px, settings)
    size = settings.print_size
    long_cm = settings.limits.keeper_share * largest_cm if size is None else size.long_cm
    short_cm = long_cm * camera.height_px / camera.width_px if size is None else size.short_cm
    return PrintPlan(
        long_cm=long_cm,
        short_cm=short_cm,
        viewing_cm=viewing_cm,
        is_chosen=size is None,
        largest_long_cm=largest_cm,
        px_per_arcmin=pixels_per_arcmin(camera.width_px, long_cm, viewing_cm),
        edge_width_px=print_edge_width_px(camera.width_px, viewing_cm, long_cm, sharp_px),
    )


def held_cm(long_px: int, edge_width_px: float, settings: Settings) -> float:
    """Long side in cm of the largest print at which edges of a width hold."""
    return print_long_cm(
        long_px, settings.viewing_cm, edge_width_px, settings.limits.fully_sharp_px
    )
