"""Where the person overruled the program, by kind of finding, so that limits can be set better.

A limit is proposed only where the person's own words divide the frames by its figure: most frames
that carry a finding were kept all the same, or most that lack it were put down. Nothing is applied:
the proposal is a file for ``--limits``.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from audit.records import AuditedFrame, Finding
from audit.report.digest import standing
from audit.review.sitting import Seen

LEAST_OVERRULED = 5
"""Fewer overruled frames of a kind propose nothing (project's choice)."""

LEAST_SHARE = 0.5
"""Of a kind's decided frames that must be overruled before its limit is questioned (project's
choice: the person disagrees more often than not)."""

ORDER = {"keeper": 0, "look-again": 1, "reject": 2, "unread": 3}


class LimitOf(NamedTuple):
    """Which limit a kind of finding rests on, and on which side of it the finding lies."""

    limits: tuple[str, ...]
    """Gravest last."""
    is_above: bool = True


LIMITS_BY_KIND: dict[str, LimitOf] = {
    "clipped-highlights": LimitOf(("clipped_highlight_share", "lost_highlight_share")),
    "blocked-shadows": LimitOf(("blocked_shadow_share", "lost_shadow_share")),
}
"""Kinds whose finding gives its figure and the very limit it was held against, in one unit; of all
others the limit enters by a formula, and a figure to put in its place cannot be read off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KindAgreement:
    """Decided frames that carry one kind of finding.

    Attributes
    ----------
    kind : str
        ``none``: frames without any standing fault or warning.
    agreed, kinder, stricter : int
        The person said the same as the program, or something better, or something worse.
    """

    kind: str
    agreed: int
    kinder: int
    stricter: int

    @property
    def decided(self) -> int:
        """All of them."""
        return self.agreed + self.kinder + self.stricter


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitProposal:
    """A limit under which the program would have agreed more often."""

    limit: str
    now: float
    proposed: float
    unit: str
    overruled: int
    decided: int


def agreement_of(frames: Iterable[Seen]) -> list[KindAgreement]:
    """Count agreement by kind of standing fault or warning, most overruled first.

    Parameters
    ----------
    frames : iterable of Seen
        Those without a word of the person do not count.
    """
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    for seen in frames:
        if seen.decision.word is None:
            continue
        step = ORDER[seen.decision.word] - ORDER[seen.row.verdict]
        for kind in _kinds(seen.row):
            counts[kind][0 if step == 0 else 1 if step < 0 else 2] += 1
    found = [
        KindAgreement(kind=kind, agreed=agreed, kinder=kinder, stricter=stricter)
        for kind, (agreed, kinder, stricter) in counts.items()
    ]
    return sorted(found, key=lambda each: (-each.kinder - each.stricter, each.kind))


def _kinds(row: AuditedFrame) -> set[str]:
    return {each.kind for each in standing(row) if each.severity != "note"} or {"none"}


def proposals_of(frames: Sequence[Seen]) -> list[LimitProposal]:
    """Limits that the person's words speak against.

    Parameters
    ----------
    frames : sequence of Seen

    Returns
    -------
    list of LimitProposal
        Each is the median figure of the overruled frames: half of them would pass.
    """
    found = []
    for kind, rests_on in LIMITS_BY_KIND.items():
        cases = [
            (seen, finding)
            for seen in frames
            if seen.decision.word is not None
            for finding in standing(seen.row)
            if finding.kind == kind and finding.severity != "note"
        ]
        for severity, limit in zip(("warn", "fault"), rests_on.limits, strict=True):
            proposal = _proposal(limit, [each for each in cases if each[1].severity == severity])
            if proposal is not None:
                found.append(proposal)
    return found


def _proposal(limit: str, cases: Sequence[tuple[Seen, Finding]]) -> LimitProposal | None:
    """Loosen a limit whose finding the person mostly passed over."""
    overruled = [
        finding
        for seen, finding in cases
        if seen.decision.word is not None
        and ORDER[seen.decision.word] < ORDER[seen.row.verdict]
        and finding.value is not None
        and finding.limit is not None
    ]
    if len(overruled) < LEAST_OVERRULED or len(overruled) < LEAST_SHARE * len(cases):
        return None
    values = sorted(finding.value or 0.0 for finding in overruled)
    return LimitProposal(
        limit=limit,
        now=overruled[0].limit or 0.0,
        proposed=float(f"{values[len(values) // 2]:.2g}"),
        unit=overruled[0].unit,
        overruled=len(overruled),
        decided=len(cases),
    )


def limits_file(proposals: Iterable[LimitProposal]) -> str:
    """Write proposals as a settings file."""
    lines = [
        "# Proposed by frame-audit review from your own decisions; nothing was applied.",
        "# Look at each line, delete what you do not want, and hand it back:",
        "#     frame-audit review FOLDER --limits FILE.toml",
        "",
        "[limits]",
    ]
    for each in proposals:
        lines.append(
            f"# was {each.now:g}; you passed over it on {each.overruled} of {each.decided} frames;"
            f" unit: {each.unit}"
        )
        lines.append(f"{each.limit} = {each.proposed:g}")
    return "\n".join(lines) + "\n"
