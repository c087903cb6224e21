"""One pass over a developed picture: its plane of light, and what is lost at both ends.

The picture is walked through in bands that stay in the processor's cache, since a pass over 150 MB
of codes costs more than what is done with them.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from audit.measure.clipping import (
    BLOCKED_CODE_8BIT,
    CLIPPED_SHARE_OF_RANGE,
    HEADROOM_QUANTILE,
    HISTOGRAM_STRIDE,
    ClippingResult,
    headroom_ev,
    quantile_code,
)

Codes = NDArray[np.uint8] | NDArray[np.uint16]

FULL_SCALE_DN = 65535
"""Linear light 1 on the plane, so that its noise has a size like a raw's."""

LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Shares of linear red, green and blue: IEC 61966-2-1, sRGB primaries. Used for every developed
picture: the measures need one sound plane of light, not a colour match. (JPEG's own luma, one
lookup instead of three, saved 0.1 s at 50 megapixels and found 7 % fewer smears: it is rounded.)"""

BAND_SAMPLES = 140_000
"""Pixels of one band: a lookup widens its codes to 8 bytes each, and 8 to 16 rows of 8,700 pixels
are looked up twice as fast as a whole picture (measured)."""


class DevelopedLight(NamedTuple):
    """What one pass over the codes gives.

    Attributes
    ----------
    luminance_dn : (rows, cols) uint16 array
        Linear luminance, `FULL_SCALE_DN` at white, right within 1.5 DN (a step of code at black is
        20 DN); pixels that are clipped in any channel are at white, since their luminance is too
        low and edges through them read too crisp.
    clipping : ClippingResult
        For a grey picture the three colours are the same.
    """

    luminance_dn: NDArray[np.uint16]
    clipping: ClippingResult


class _Shares(NamedTuple):
    by_channel: tuple[float, ...]
    in_any: float
    in_all: float


class _Tally:
    """Counts of pixels by what is lost in which channel.

    One lookup gives, in one number, what a code adds to the luminance and one mark for each channel
    that is lost at either end; the sum over the channels then says all of it at once.
    """

    MARKS_AT = 20
    """First bit of the marks: blocked, channel by channel, then clipped."""

    def __init__(self, tables: Sequence[NDArray[np.float32]]) -> None:
        self.channels = len(tables)
        self._room: NDArray[np.uint32] | None = None
        self.counts = np.zeros(1 << 2 * self.channels, np.int64)
        self.blocked = (1 << self.channels) - 1
        """Marks of a pixel that is blocked in every channel; those of a clipped one lie above."""
        weights = LUMINANCE_WEIGHTS if self.channels > 1 else (1.0,)
        self.tables = [
            self._table(channel, weight, table)
            for channel, (weight, table) in enumerate(zip(weights, tables, strict=True))
        ]

    def _table(self, channel: int, weight: float, table: NDArray[np.float32]) -> NDArray[np.uint32]:
        codes = np.arange(table.size)
        found: NDArray[np.uint32] = np.rint(weight * FULL_SCALE_DN * table).astype(np.uint32)
        blocked = codes <= BLOCKED_CODE_8BIT * (table.size - 1) // 255
        clipped = codes >= np.searchsorted(table, CLIPPED_SHARE_OF_RANGE * table[-1])
        found += blocked.astype(np.uint32) << np.uint32(self.MARKS_AT + channel)
        found += clipped.astype(np.uint32) << np.uint32(self.MARKS_AT + self.channels + channel)
        return found

    def add(self, codes: Codes, out: NDArray[np.uint16]) -> None:
        """Count one band, and put its luminance into ``out``."""
        if self.channels == 1:
            self._add_grey(codes, out)
            return
        planes = [codes] if codes.ndim == 2 else [codes[:, :, c] for c in range(self.channels)]
        total, part = (rows[: len(codes)] for rows in self._rows(codes.shape[:2]))
        np.take(self.tables[0], planes[0], out=total, mode="clip")
        for table, plane in zip(self.tables[1:], planes[1:], strict=True):
            np.take(table, plane, out=part, mode="clip")
            total += part
        np.bitwise_and(total, FULL_SCALE_DN, out=out, casting="unsafe")
        highest = int(total.max(initial=0)) >> self.MARKS_AT
        if highest == 0:
            self.counts[0] += out.size
            return
        marks = (total >> np.uint32(self.MARKS_AT)).astype(np.uint8)
        marked = marks[marks > 0]  # few as a rule: counting all takes longer than picking them out
        self.counts += np.bincount(marked, minlength=self.counts.size)
        self.counts[0] += out.size - marked.size
        if highest > self.blocked:
            np.putmask(out, marks > self.blocked, FULL_SCALE_DN)

    def _add_grey(self, codes: Codes, out: NDArray[np.uint16]) -> None:
        """The same for one channel, where a code tells all: at half the cost."""
        grey = codes.reshape(out.shape)
        table = self.tables[0]
        marks = table >> np.uint32(self.MARKS_AT)
        light = np.where(marks > self.blocked, FULL_SCALE_DN, table & FULL_SCALE_DN)
        np.take(light.astype(np.uint16), grey, out=out, mode="clip")
        # Both ends are runs of codes; in a broken curve they may overlap.
        first_open = np.count_nonzero(marks & 1)
        first_clipped = marks.size - np.count_nonzero(marks & 2)
        blocked = int(np.count_nonzero(grey < first_open))
        clipped = int(np.count_nonzero(grey >= first_clipped))
        both = max(0, blocked + clipped - out.size) if first_clipped < first_open else 0
        self.counts += (out.size - blocked - clipped + both, blocked - both, clipped - both, both)

    def _rows(self, shape: tuple[int, ...]) -> NDArray[np.uint32]:
        """Room for one band, the same for all: fresh memory costs as much as the sums."""
        if self._room is None:
            self._room = np.empty((2, *shape), np.uint32)
        return self._room

    def shares(self, *, clipped: bool) -> _Shares:
        """Shares of the pixels that are lost at one end."""
        marks = np.arange(self.counts.size)
        marks = marks >> self.channels if clipped else marks & self.blocked
        total = max(int(self.counts.sum()), 1)
        by_channel = tuple(
            float(self.counts[(marks >> channel) & 1 > 0].sum() / total)
            for channel in range(self.channels)
        )
        return _Shares(
            by_channel * 3 if self.channels == 1 else by_channel,
            float(self.counts[marks > 0].sum() / total),
            float(self.counts[marks == self.blocked].sum() / total),
        )


def developed_light(codes: Codes, curves: Sequence[NDArray[np.float32]]) -> DevelopedLight:
    """Linear luminance and clipping of a developed picture.

    Parameters
    ----------
    codes : (rows, cols) or (rows, cols, 3) uint8 or uint16 array
        Code values as stored.
    curves : sequence of float32 arrays
        Linear value, 0 to 1, of every code; one a channel, or one for all.

    Returns
    -------
    DevelopedLight
    """
    channels = 1 if codes.ndim == 2 else codes.shape[2]
    tables = [curves[min(channel, len(curves) - 1)] for channel in range(channels)]
    tally = _Tally(tables)
    luminance_dn = np.empty(codes.shape[:2], np.uint16)
    at_once = max(1, BAND_SAMPLES // max(1, codes.shape[1]))
    for top in range(0, len(codes), at_once):
        tally.add(codes[top : top + at_once], luminance_dn[top : top + at_once])
    sparse = codes[::HISTOGRAM_STRIDE, ::HISTOGRAM_STRIDE].reshape(-1, channels)
    headroom = tuple(_headroom_ev(sparse[:, c], table) for c, table in enumerate(tables))
    high, low = tally.shares(clipped=True), tally.shares(clipped=False)
    return DevelopedLight(
        luminance_dn,
        ClippingResult(
            highlight_share=high.by_channel,
            highlight_any=high.in_any,
            highlight_all=high.in_all,
            shadow_share=low.by_channel,
            shadow_any=low.in_any,
            shadow_all=low.in_all,
            headroom_ev=headroom * 3 if channels == 1 else headroom,
            saturation_dn=(1.0, 1.0, 1.0),
        ),
    )


def _headroom_ev(codes: Codes, curve: NDArray[np.float32]) -> float:
    code = quantile_code(np.bincount(codes, minlength=len(curve)), HEADROOM_QUANTILE)
    return headroom_ev(float(curve[code] / curve[-1]))
