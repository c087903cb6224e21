"""What a decoded frame is made of: the sensor's own samples, or a developed picture's codes."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from audit.records import Exposure, SensorFacts

Encoding = Literal["sRGB", "DCF optional", "embedded profile", "assumed sRGB"]
"""Where a developed picture's tone curve comes from."""

RED, GREEN, BLUE = 0, 1, 2
"""Colours of the sites of a `Mosaic`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mosaic:
    """Samples of a sensor under its colour filters, before anything was done to them.

    Attributes
    ----------
    samples : (rows, cols) uint16 array
        Visible area as stored (Orientation not applied); a copy that owns its memory.
    pattern : (pattern rows, pattern cols) uint8 array
        Colour of each site: 0 red, 1 green (both greens), 2 blue. Starts at ``samples[0, 0]``.
        A sensor without filters has the pattern ``[[1]]``.
    black_dn, white_dn : (pattern rows, pattern cols) float32 arrays
        Black level and nominal white level of each site of the pattern, DN.
    white_balance : three floats or None
        Multipliers of red, green and blue that the camera chose; for pictures, never for measures.
    camera_from_xyz : (3, 3) float64 array or None
        Camera colours of CIE XYZ under D65, in any scale, where LibRaw knows the camera.
    """

    samples: NDArray[np.uint16]
    pattern: NDArray[np.uint8]
    black_dn: NDArray[np.float32]
    white_dn: NDArray[np.float32]
    white_balance: tuple[float, float, float] | None = None
    camera_from_xyz: NDArray[np.float64] | None = None

    @property
    def is_bayer(self) -> bool:
        """Whether the pattern is a 2 x 2 cell with two greens on a diagonal, one red, one blue."""
        return self.green_parity is not None

    @property
    def green_parity(self) -> int | None:
        """``(row + col) % 2`` of the green sites of a Bayer pattern, else ``None``."""
        if self.pattern.shape != (2, 2):
            return None
        cell = self.pattern.ravel().tolist()
        if sorted(cell) != [RED, GREEN, GREEN, BLUE]:
            return None
        if cell[0] == cell[3]:
            return 0
        return 1 if cell[1] == cell[2] else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Developed:
    """Codes of a developed picture and the curves that make them linear again.

    Attributes
    ----------
    codes : (rows, cols, 3) or (rows, cols) array of uint8 or uint16
        As stored (Orientation not applied); red, green, blue, or grey.
    curve : tuple of float32 arrays
        Lookup tables from code to linear light 0..1, 256 or 65,536 entries: one a channel, or a
        single one for all.
    encoding : str
        Where the curve comes from.
    profile : bytes or None
        Embedded ICC profile; for pictures, never for measures.
    """

    codes: NDArray[np.uint8] | NDArray[np.uint16]
    curve: tuple[NDArray[np.float32], ...]
    encoding: Encoding
    profile: bytes | None = None

    def linear(self, codes: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.float32]:
        """Linear light, 0..1, of some codes of this picture.

        Parameters
        ----------
        codes : (rows, cols, 3) or (rows, cols) array
            A small part: the lookup is not made in bands.
        """
        if codes.ndim == 2:
            return np.take(self._table(0), codes)
        planes = [np.take(self._table(c), codes[:, :, c]) for c in range(3)]
        return np.stack(planes, axis=-1)

    def coded(self, linear: NDArray[np.float32]) -> NDArray[np.uint8]:
        """Codes of 8 bits whose linear light is nearest: the way back from `linear`."""
        planes = linear[:, :, None] if linear.ndim == 2 else linear
        coded = np.empty(planes.shape, np.uint8)
        for channel in range(planes.shape[2]):
            table = self._table(channel)
            places = np.interp(planes[:, :, channel], table, np.linspace(0, 255, table.size))
            coded[:, :, channel] = np.rint(places)
        return coded.reshape(linear.shape)

    def _table(self, channel: int) -> NDArray[np.float32]:
        return self.curve[channel] if len(self.curve) > 1 else self.curve[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """What a decoder found wrong with data that it decoded all the same."""

    words: str
    lost_share: float | None
    """Share of the rows from the first bad place on; ``None`` where it cannot be told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """One frame, opened: what the camera wrote and what its pixels hold."""

    exposure: Exposure
    facts: SensorFacts
    pixels: Mosaic | Developed
    notes: tuple[str, ...]
    """Sentences about this file that a person should know."""
    complaint: Complaint | None = None
    """Not ``None``: the pixels are damaged."""
