"""Crop factor of a body from the lens database (optional extra ``lensdb``)."""

from functools import cache
from typing import Any

try:
    import lensfunpy
except ImportError:  # the extra is not installed
    lensfunpy = None


@cache
def _database() -> Any:
    return lensfunpy.Database()


def _is_placeholder(camera: Any) -> bool:
    """Whether a crop factor was never filled in.

    Compacts of a thumbnail-sized sensor stand there with 1. The database writes the mount of a
    built-in lens with a small first letter.
    """
    has_fixed_lens = camera.mount[:1].islower()
    return bool(camera.crop_factor <= 0 or (has_fixed_lens and camera.crop_factor == 1))


@cache
def database_crop(make: str | None, model: str | None) -> float | None:
    """Crop factor of a body, by strict matching alone.

    Loose matching gave a drone for a medium-format body; so the model must be equal, letter by
    letter but for case.

    Parameters
    ----------
    make, model : str or None
        As the camera wrote them.

    Returns
    -------
    float or None
        35 mm diagonal over the sensor's diagonal; ``None`` where the body is not listed once and
        only once, or the extra is not installed.
    """
    if lensfunpy is None or not make or not model:
        return None
    try:
        found = _database().find_cameras(make, model, loose_search=False)
    except Exception:  # a database that cannot be loaded is no reason to lose a frame
        return None
    crops = {
        round(float(camera.crop_factor), 4)
        for camera in found
        if camera.model.casefold() == model.casefold() and not _is_placeholder(camera)
    }
    return crops.pop() if len(crops) == 1 else None
