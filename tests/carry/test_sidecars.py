"""Each frame gets its own sidecar, foreign changes are never lost, a refusal harms no other."""

import errno
import os
from pathlib import Path

import pytest
from carry.conftest import PlantFrame
from planted_sidecars import ATTRIBUTES

from audit.carry.layout import Layout
from audit.carry.sidecar_names import SidecarNames
from audit.carry.sidecars import Sidecar, SidecarOrders, SidecarWriter
from audit.errors import SettingsError, SidecarError
from audit.records import AuditedFrame, Finding, Frame
from audit.report import whole_file, xmp_sidecar

ROOT = Path(__file__).parents[2]


def row_of(frame: Frame, verdict: str = "keeper", *kinds: str) -> AuditedFrame:
    return AuditedFrame(
        file=frame.file,
        companions=frame.companions,
        format=frame.format,
        state="measured" if verdict != "unread" else "damaged",
        error=None,
        findings=tuple(
            Finding(
                kind=kind,  # type: ignore[arg-type]
                severity="note",
                value=None,
                limit=None,
                unit="",
                confidence=0.5,
                message="",
            )
            for kind in kinds
        ),
        verdict=verdict,  # type: ignore[arg-type]
        rank=1,
    )


def writer(card: Path, *frames: Frame, **orders: object) -> SidecarWriter:
    given = SidecarOrders(ratings={"keeper": 4}, **orders)  # type: ignore[arg-type]
    return SidecarWriter(given, SidecarNames(frames), Layout([card]))


def written(card: Path, *frames: Frame, **orders: object) -> list[Sidecar]:
    its = writer(card, *frames, **orders)
    return [its.write(its.plan(row_of(frame), frame)) for frame in frames]


def identities(folder: Path) -> dict[str, tuple[int, ...]]:
    found = {path.name: path.stat() for path in folder.iterdir()}
    return {name: (each.st_ino, each.st_mtime_ns, each.st_mode) for name, each in found.items()}


def sidecars_in(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir() if path.suffix.lower() == ".xmp"}


# ---------------------------------------------------------------- names


def test_a_raw_and_its_twin_share_one(card: Path, plant: PlantFrame) -> None:
    (done,) = written(card, plant("A1.DNG", "A1.JPG"))
    assert (done.state, sidecars_in(card)) == ("new", {"A1.xmp"})


@pytest.mark.parametrize(
    ("existing", "used"),
    [
        ((), "A1.xmp"),
        (("A1.xmp",), "A1.xmp"),
        (("A1.DNG.xmp",), "A1.DNG.xmp"),
        (("a1.XMP",), "a1.XMP"),
        (("A1.dng.XMP",), "A1.dng.XMP"),
    ],
)
def test_the_one_that_exists_is_used(
    card: Path, plant: PlantFrame, existing: tuple[str, ...], used: str
) -> None:
    frame = plant("A1.DNG")
    for name in existing:
        (card / name).write_text(ATTRIBUTES)
    (done,) = written(card, frame)
    assert done.path == card / used
    assert sidecars_in(card) == {used}


@pytest.mark.parametrize("naming", ["stem", "full"])
def test_of_two_none_is_used_unless_the_form_is_told(
    card: Path, plant: PlantFrame, naming: str
) -> None:
    frame = plant("A1.DNG")
    for name in ("A1.xmp", "A1.DNG.xmp"):
        (card / name).write_text(ATTRIBUTES)
    (left,) = written(card, frame)
    assert (left.state, left.reason) == ("left", "has two sidecars; choose one with --naming")
    (done,) = written(card, frame, naming=naming, is_told=True)
    assert done.path == card / ("A1.xmp" if naming == "stem" else "A1.DNG.xmp")


def test_two_that_differ_in_case_alone_are_left(card: Path, plant: PlantFrame) -> None:
    frame = plant("A1.DNG")
    for name in ("A1.xmp", "a1.xmp"):
        (card / name).write_text(ATTRIBUTES)
    if len(sidecars_in(card)) < 2:
        pytest.skip("this disk knows no case")
    assert written(card, frame)[0].state == "left"


def test_a_raw_owns_the_short_name_and_others_take_the_long_one(
    card: Path, plant: PlantFrame
) -> None:
    raw, export, other = plant("A1.DNG"), plant("A1.jpg"), plant("a1.JPEG")
    written(card, raw, export, other)
    assert sidecars_in(card) == {"A1.xmp", "A1.jpg.xmp", "a1.JPEG.xmp"}


def test_where_nobody_owns_the_short_name_nobody_uses_it(card: Path, plant: PlantFrame) -> None:
    first, second = plant("A1.DNG"), plant("a1.CR2")
    (card / "A1.xmp").write_text(ATTRIBUTES)
    written(card, first, second)
    assert sidecars_in(card) == {"A1.xmp", "A1.DNG.xmp", "a1.CR2.xmp"}
    assert (card / "A1.xmp").read_text() == ATTRIBUTES


def test_case_twins_are_left(card: Path, plant: PlantFrame) -> None:
    frames = plant("A1.JPG"), plant("a1.jpg")
    if len(list(card.iterdir())) < 2:
        pytest.skip("this disk knows no case")
    assert [done.state for done in written(card, *frames)] == ["left", "left"]
    assert sidecars_in(card) == set()


def test_the_setting_names_new_ones(card: Path, plant: PlantFrame) -> None:
    written(card, plant("A1.DNG", "A1.JPG"), naming="full", is_told=True)
    assert sidecars_in(card) == {"A1.DNG.xmp"}


@pytest.mark.parametrize(
    "name", ["caf\udce9.DNG", "a\nb.DNG", "[red]x.DNG", "A.1.2.DNG", "x" * 251 + ".DNG"]
)
def test_any_name_gets_one(card: Path, plant: PlantFrame, name: str) -> None:
    (done,) = written(card, plant(name))
    assert done.state == "new"
    assert sidecars_in(card) == {name.removesuffix("DNG") + "xmp"}


def test_a_name_too_long_for_the_long_form_is_left(card: Path, plant: PlantFrame) -> None:
    frames = plant("x" * 251 + ".DNG"), plant("y.DNG")
    done = written(card, *frames, naming="full", is_told=True)
    assert [each.state for each in done] == ["left", "new"]


# ---------------------------------------------------------------- writing


def test_a_second_run_changes_nothing(card: Path, plant: PlantFrame) -> None:
    frames = plant("A1.DNG"), plant("A2.DNG")
    (card / "A2.xmp").write_text(ATTRIBUTES)
    (card / "A2.xmp").chmod(0o640)
    written(card, *frames)
    before = identities(card)
    assert [done.state for done in written(card, *frames)] == ["unchanged", "unchanged"]
    assert identities(card) == before
    assert (card / "A2.xmp").stat().st_mode & 0o777 == 0o640


def test_an_unread_frame_gets_none(card: Path, plant: PlantFrame) -> None:
    frame = plant("A1.DNG")
    assert writer(card, frame).plan(row_of(frame, "unread"), frame).state == "left"


@pytest.mark.parametrize("content", [b"", b"\xff\xd8\xff", ATTRIBUTES.encode()[:-30]])
def test_what_does_not_parse_stays_and_is_named(
    card: Path, plant: PlantFrame, content: bytes
) -> None:
    frames = plant("A1.DNG"), plant("A2.DNG")
    (card / "A1.xmp").write_bytes(content)
    left, done = written(card, *frames)
    assert (left.state, done.state) == ("left", "new")
    assert left.reason is not None
    assert "well-formed" in left.reason
    assert (card / "A1.xmp").read_bytes() == content


def test_a_change_by_another_program_meanwhile_is_not_lost(card: Path, plant: PlantFrame) -> None:
    frame = plant("A1.DNG")
    (card / "A1.xmp").write_text(ATTRIBUTES)
    its = writer(card, frame)
    planned = its.plan(row_of(frame), frame)
    foreign = ATTRIBUTES.replace('Rating="3"', 'Rating="5"').replace("crop", "crop and heal")
    (card / "A1.xmp").write_text(foreign)
    assert its.write(planned).state == "left"
    assert (card / "A1.xmp").read_text() == foreign


def test_a_sidecar_made_by_another_program_meanwhile_is_not_replaced(
    card: Path, plant: PlantFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = plant("A1.DNG")
    its = writer(card, frame)
    planned = its.plan(row_of(frame), frame)
    (card / "A1.xmp").write_text("theirs")
    assert its.write(planned).state == "left"
    monkeypatch.delattr(os, "link")
    monkeypatch.setattr(os, "link", refusing(errno.EPERM), raising=False)
    assert its.write(planned).state == "left"
    assert (card / "A1.xmp").read_text() == "theirs"
    assert {path.name for path in card.iterdir()} == {"A1.DNG", "A1.xmp"}


def refusing(number: int) -> "object":
    def refuse(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    return refuse


def test_a_disk_without_second_names_gets_its_sidecars(
    card: Path, plant: PlantFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on FAT, where a card may be written to."""
    monkeypatch.setattr(os, "link", refusing(errno.EPERM))
    assert written(card, plant("A1.DNG"))[0].state == "new"
    assert {path.name for path in card.iterdir()} == {"A1.DNG", "A1.xmp"}


def test_a_link_is_never_written_through(card: Path, plant: PlantFrame, tmp_path: Path) -> None:
    frame = plant("A1.DNG")
    (tmp_path / "elsewhere").write_text(ATTRIBUTES)
    (card / "A1.xmp").symlink_to(tmp_path / "elsewhere")
    assert written(card, frame)[0].state == "left"
    assert (tmp_path / "elsewhere").read_text() == ATTRIBUTES


@pytest.mark.parametrize("number", [errno.EROFS, errno.ENOSPC, errno.EACCES])
def test_a_folder_that_refuses_is_asked_once(
    card: Path, plant: PlantFrame, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    asked = []

    def refuse(path: Path, *_: object, **__: object) -> None:
        asked.append(path)
        raise OSError(number, os.strerror(number))

    frames = [plant(f"A{at}.DNG") for at in range(5)]
    monkeypatch.setattr("audit.carry.sidecars.write_durably", refuse)
    done = written(card, *frames)
    assert [(each.state, each.is_shut) for each in done] == [("left", True)] * 5
    assert len(asked) == 1


@pytest.mark.parametrize("step", ["open", "write", "fsync", "link", "unlink", "chmod", "replace"])
def test_whatever_step_fails_the_old_or_the_new_file_is_there(
    card: Path, plant: PlantFrame, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    frames = plant("A1.DNG"), plant("A2.DNG")
    (card / "A1.xmp").write_text(ATTRIBUTES)
    its = writer(card, *frames)
    planned = [its.plan(row_of(frame), frame) for frame in frames]
    whole = {ATTRIBUTES.encode(), *(each.data for each in planned)}
    owner = os if step in ("fsync", "link") else Path
    if step in ("open", "write"):
        owner, step = whole_file.Path, "open"
    with monkeypatch.context() as patch:
        patch.setattr(owner, step, refusing(errno.EIO))
        for each in planned:
            its.write(each)
    assert all(path.read_bytes() in whole for path in card.glob("*.xmp"))


def test_another_folder_starts_from_what_lies_beside_the_frame(
    card: Path, plant: PlantFrame, tmp_path: Path
) -> None:
    frame = plant("day 1/A1.DNG")
    (card / "day 1" / "A1.xmp").write_text(ATTRIBUTES)
    (done,) = written(card, frame, into=tmp_path / "kept")
    assert done.path == tmp_path / "kept" / "day 1" / "A1.xmp"
    assert "crop" in done.path.read_text()
    assert (card / "day 1" / "A1.xmp").read_text() == ATTRIBUTES
    assert written(card, frame, into=tmp_path / "kept")[0].state == "unchanged"


def test_keywords_follow_verdict_and_findings(card: Path, plant: PlantFrame) -> None:
    frame = plant("A1.DNG")
    its = writer(card, frame, keywords={"keeper": ("print",), "dust": ("retouch", "print")})
    planned = its.plan(row_of(frame, "keeper", "dust", "noise"), frame)
    assert "+ dc:subject: print" in planned.changes
    assert "+ dc:subject: retouch" in planned.changes


def test_folders_of_one_name_are_refused(tmp_path: Path) -> None:
    for name in ("a/trip", "b/Trip"):
        (tmp_path / name).mkdir(parents=True)
    with pytest.raises(SettingsError, match="different names"):
        Layout([tmp_path / "a/trip", tmp_path / "b/Trip"])


# ---------------------------------------------------------------- properties


def test_every_property_is_documented_with_its_unit() -> None:
    page = (ROOT / "docs" / "sidecars.md").read_text(encoding="utf-8")
    for each in xmp_sidecar.PROPERTIES:
        assert f"| `{each.name}` | {each.unit} | {each.meaning} |" in page


def test_figures_have_no_exponent_and_unknown_is_left_out(plant: PlantFrame) -> None:
    """XMP's Real has neither (ISO 16684-1:2011, 8.2.1; from memory)."""
    assert xmp_sidecar._written(0.0000312345) == "0.00003123"
    assert xmp_sidecar._written(123456.0) == "123500"
    assert xmp_sidecar._written(float("nan")) is None
    assert xmp_sidecar.measures_of(row_of(plant("A1.DNG"))) == {"Verdict": "keeper"}


def test_the_reason_of_a_sidecar_error_is_its_message() -> None:
    assert SidecarError.code == "sidecar"
