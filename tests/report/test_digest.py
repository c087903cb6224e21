"""Every writer says the same: one order of findings, one reason a frame, one list of causes."""

import msgspec

from audit.records import Print, Report
from audit.report.digest import (
    causes,
    excused,
    lens_remarks,
    main_sentence,
    plain_reason,
    standing,
    weighty,
)


def test_standing_findings_come_gravest_first_then_surest(made_report: Report) -> None:
    reject = made_report.frames[6]
    assert [finding.kind for finding in standing(reject)] == [
        "clipped-highlights",
        "camera-shake",
        "diffraction",
    ]


def test_excused_findings_do_not_count(made_report: Report) -> None:
    water = made_report.frames[1]
    assert standing(water) == ()
    assert [finding.kind for finding in excused(water)] == ["subject-motion"]
    assert main_sentence(water) is None


def test_causes_count_frames_and_come_commonest_first(made_report: Report) -> None:
    assert [(cause.kind, cause.frames) for cause in causes(made_report)] == [
        ("diffraction", 2),
        ("camera-shake", 1),
        ("clipped-highlights", 1),
    ]


def test_every_measured_frame_that_is_no_keeper_has_a_sentence(made_report: Report) -> None:
    for frame in made_report.frames:
        needs_one = frame.state == "measured" and frame.verdict != "keeper"
        assert (main_sentence(frame) is not None) == needs_one


def test_the_plain_reason_tells_softness_from_too_few_pixels_and_from_not_knowing(
    made_report: Report,
) -> None:
    frame = made_report.frames[4]

    def reason(size: Print | None) -> str:
        return plain_reason(msgspec.structs.replace(frame, print=size)) or ""

    assert reason(frame.print).startswith("Softer than the target print needs: holds at 74 %")
    pixels = msgspec.structs.replace(frame.print, limited_by="pixels")
    assert reason(pixels).startswith("Sharp, but too few pixels")
    assert reason(None) == "Too few clear edges to tell how sharp it is."


def test_a_note_never_stands_for_the_reason_of_a_soft_frame(made_report: Report) -> None:
    note = msgspec.structs.replace(made_report.frames[1].findings[0], excused_by=None)
    soft = msgspec.structs.replace(made_report.frames[4], findings=(note,))
    assert weighty(soft) == ()
    assert (main_sentence(soft) or "").startswith("Softer")


def test_a_lens_is_remarked_on_once(made_report: Report) -> None:
    note = msgspec.structs.replace(
        made_report.frames[1].findings[0], kind="soft-side", excused_by=None, message="soft right"
    )
    frames = tuple(
        msgspec.structs.replace(frame, findings=(*frame.findings, note))
        for frame in made_report.frames[:3]
    )
    report = msgspec.structs.replace(made_report, frames=frames)

    assert [each.message for each in lens_remarks(report)] == ["soft right"]
    assert lens_remarks(made_report) == ()
