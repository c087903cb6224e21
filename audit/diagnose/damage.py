"""What the row of a broken file says."""

from audit.diagnose.case import finding
from audit.records import Finding, Unread


def damage(unread: Unread) -> tuple[Finding, ...]:
    """Name a damaged file as a finding, beside its state, so that it counts with the others.

    Parameters
    ----------
    unread : Unread

    Returns
    -------
    tuple of Finding
        Empty for files that could not be read for another reason. The value is the part of the
        picture that is lost, ``None`` where it cannot be told.
    """
    if unread.state != "damaged":
        return ()
    return (
        finding(
            "damaged",
            "fault",
            unread.lost_share,
            None,
            confidence=0.95,
            message=f"The file is broken or cut short ({unread.message}).",
            advice=(
                "Copy it from the card again before the card is formatted; "
                "if it stays broken, try its twin or the embedded preview."
            ),
        ),
    )
