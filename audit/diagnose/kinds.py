"""The kinds of finding, declared as data, so that rules, reports, docs and tests share one list."""

from typing import NamedTuple

from audit.records import FindingCode


class FindingKind(NamedTuple):
    """One kind of finding.

    Attributes
    ----------
    title : str
        Two or three words for a heading.
    unit : str
        Unit of the value and of its limit.
    asks : str
        The question that it answers.
    """

    title: str
    unit: str
    asks: str


KINDS: dict[FindingCode, FindingKind] = {
    "missed-focus": FindingKind("missed focus", "px", "Is the plane of focus off the subject?"),
    "camera-shake": FindingKind("camera shake", "px", "Did the camera move while it was open?"),
    "subject-motion": FindingKind(
        "subject motion", "share", "Did a part of the picture move while the rest stood still?"
    ),
    "diffraction": FindingKind(
        "diffraction", "px", "Does the aperture itself blur more than the pixels resolve?"
    ),
    "slow-shutter": FindingKind(
        "slow shutter", "s", "Was the shutter slower than a hand can hold for this lens and print?"
    ),
    "vibration-window": FindingKind(
        "vibration window", "s", "Did shutter or mirror shake a camera that stood on a tripod?"
    ),
    "soft-side": FindingKind(
        "soft side", "ratio", "Is one side of the lens softer, over many frames?"
    ),
    "clipped-highlights": FindingKind("clipped highlights", "share", "Are highlights lost?"),
    "blocked-shadows": FindingKind("blocked shadows", "share", "Are shadows lost in the noise?"),
    "noise": FindingKind("noise", "ratio", "Is there grain in the mid-tones at this print?"),
    "haze": FindingKind("haze", "EV", "Is the contrast low although the edges are intact?"),
    "no-edges": FindingKind("no edges", "edges", "Are there too few edges to tell the sharpness?"),
    "sharpened": FindingKind(
        "sharpened", "ratio", "Is the file crisper than physics allows, so its figures are made?"
    ),
    "damaged": FindingKind("damaged", "share", "Is a part of the picture lost in the file?"),
    "dust": FindingKind("dust", "share", "Does dust on the sensor show?"),
    "odd-settings": FindingKind("odd settings", "frames", "Was a setting left from before?"),
}
