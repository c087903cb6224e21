"""The small pictures that the store keeps beside a reading."""

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image


def read_grey_png(data: bytes) -> NDArray[np.uint8] | None:
    """Read a grey picture that this program wrote.

    Parameters
    ----------
    data : bytes
        An 8-bit PNG; may be empty.

    Returns
    -------
    (rows, cols) uint8 array or None
        ``None`` where the bytes are no such picture: it is then as if none had been kept.
    """
    try:
        with Image.open(io.BytesIO(data), formats=("PNG",)) as picture:
            return np.asarray(picture) if picture.mode == "L" else None
    except (OSError, ValueError, SyntaxError):
        return None
