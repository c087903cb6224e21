"""Whether a frame that could be decoded is whole: a damaged one must never get a quiet verdict."""

from typing import NoReturn

from audit.decode import Decoded, Mosaic, thumbnail
from audit.errors import DamagedFrame
from audit.measure.repeated_samples import repeated_share

GREEN = 1
"""Channel that stands for the whole picture."""


def refuse_damaged(decoded: Decoded, data: bytes, *, name: str, format: str) -> None:  # noqa: A002
    """Refuse a frame of which a part is lost.

    Parameters
    ----------
    decoded : Decoded
    data : bytes
        Its whole file.
    name, format : str
        For messages.

    Raises
    ------
    DamagedFrame
        With the lost share of the picture, as far as it can be told.
    """
    if decoded.complaint is not None:
        _refuse_developed(decoded, data, name, format)
    if isinstance(decoded.pixels, Mosaic):
        lost_share = repeated_share(decoded.pixels.samples)
        if lost_share > 0:
            raise DamagedFrame(
                f"{name}: expected samples with noise, found runs of one and the same sample that"
                f" no light makes, {_percent(lost_share)} of the frame",
                code="lost-samples",
                lost_share=lost_share,
            )


def _refuse_developed(decoded: Decoded, data: bytes, name: str, format: str) -> NoReturn:  # noqa: A002
    # It loads SciPy, half a second that a worker without a damaged frame does without.
    from audit.measure.preview_match import share_unlike

    complaint, pixels = decoded.complaint, decoded.pixels
    assert complaint is not None
    lost_share = complaint.lost_share
    small = thumbnail(data) if format == "jpeg" else None
    if lost_share is None and small is not None and not isinstance(pixels, Mosaic):
        codes = pixels.codes if pixels.codes.ndim == 2 else pixels.codes[:, :, GREEN]
        lost_share = share_unlike(codes, small) or None
    how_much = "" if lost_share is None else f"; {_percent(lost_share)} of the picture is lost"
    raise DamagedFrame(
        f"{name}: expected whole {format.upper()} data, found: {complaint.words}{how_much}",
        code="broken-scan",
        lost_share=lost_share,
    )


def _percent(share: float) -> str:
    """Part of a whole; never rounded to nothing or all."""
    return f"{100 * share:.2g} %" if share < 0.995 else "nearly all"
