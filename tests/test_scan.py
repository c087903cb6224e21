"""What counts as a frame, what is passed over and why, and that no name breaks the scan."""

import os
import random
import struct
from collections.abc import Iterable
from pathlib import Path

import pytest

from audit.errors import FolderError
from audit.scan import HEAD_BYTES, Scan, display_name, named_bytes, scan, sniff_format

DATA = Path(os.environ.get("FRAME_AUDIT_DATA", Path(__file__).parents[2] / "shared" / "data"))
needs_data = pytest.mark.skipif(not DATA.is_dir(), reason="real files are not here")
needs_posix = pytest.mark.skipif(os.name != "posix", reason="names and kinds of POSIX files")

JPEG = b"\xff\xd8\xff\xe1" + bytes(60)
CR2 = b"II*\0\x10\0\0\0CR\x02\0" + bytes(60)
RAF = b"FUJIFILMCCD-RAW 0201" + bytes(60)


def tiff(*entries: tuple[int, int, int, bytes], order: str = "<") -> bytes:
    """Smallest TIFF file with these entries (tag, type, count, value of 4 bytes) at offset 8."""
    mark = b"II*\0" if order == "<" else b"MM\0*"
    body = b"".join(struct.pack(order + "HHI", t, k, n) + v for t, k, n, v in entries)
    return mark + struct.pack(order + "IH", 8, len(entries)) + body + bytes(4)


def put(folder: Path, *names: str, content: bytes = JPEG) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def files(found: Scan) -> list[str]:
    return [frame.file for frame in found.frames]


def reasons(found: Scan) -> dict[str, str]:
    return {skipped.file: skipped.reason for skipped in found.skipped}


def frame_formats(found: Scan) -> dict[str, str]:
    return {frame.file: frame.format for frame in found.frames}


# ---------------------------------------------------------------- formats


@pytest.mark.parametrize(
    ("head", "suffix", "expected"),
    [
        # JPEG: ISO/IEC 10918-1 B.1.1.3 (SOI), and the marker that must follow.
        (b"\xff\xd8\xff\xe0", ".jpg", "jpeg"),
        (b"\xff\xd8\xff\xdb", ".nef", "jpeg"),
        (b"\xff\xd8\0\0", ".jpg", None),
        # TIFF 6.0 section 2; BigTIFF has 43 for 42.
        (tiff(), ".tif", "tiff"),
        (tiff(order=">"), ".tiff", "tiff"),
        (b"II+\0\x08\0\0\0", ".tif", "tiff"),
        # DNG 1.4: DNGVersion is tag 50706, in whatever file it stands.
        (tiff((50706, 1, 4, b"\1\4\0\0")), ".dng", "dng"),
        (tiff((50706, 1, 4, b"\1\4\0\0"), order=">"), ".tif", "dng"),
        (tiff((50706, 1, 4, b"\1\4\0\0")), ".gpr", "gpr"),
        # The makers' formats inside TIFF, by suffix (common practice, no source).
        *((tiff(), f".{s}", s) for s in ("nef", "nrw", "arw", "sr2", "pef", "srw", "3fr", "fff")),
        *((tiff(), f".{s}", s) for s in ("iiq", "rwl", "dcr", "kdc")),
        (tiff(), ".NEF", "nef"),
        # CIPA and ISO name none of these signatures; all from memory, held by real files below.
        (CR2, ".tif", "cr2"),
        (b"\0\0\0\x18ftypcrx \0\0\0\1", ".cr3", "cr3"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", ".hif", "heif"),
        (b"\0\0\0\x18ftypqt  \0\0\0\0", ".mov", None),
        (b"II\x1a\0\0\0HEAPCCDR\2\0", ".crw", "crw"),
        (RAF, ".raf", "raf"),
        (b"IIRO\x08\0\0\0", ".orf", "orf"),
        (b"IIRS\x08\0\0\0", ".orf", "orf"),
        (b"MMOR\0\0\0\x08", ".orf", "orf"),
        (b"IIU\0\x18\0\0\0", ".rw2", "rw2"),
        (b"IIU\0\x18\0\0\0", ".rwl", "rwl"),
        (b"\0MRM\0\0\0\0", ".mrw", "mrw"),
        (b"FOVb\2\0\2\0", ".x3f", "x3f"),
        (b"%!PS-Adobe-3.0 EPSF", ".jpg", None),
        (b"", ".jpg", None),
    ],
)
def test_format_is_told_by_content(head: bytes, suffix: str, expected: str | None) -> None:
    assert sniff_format(head, suffix) == expected


def test_raw_inside_tiff_is_known_by_its_maker_when_the_suffix_was_changed() -> None:
    """First picture a thumbnail (NewSubfileType bit 0, TIFF 6.0 section 8) and the Make tag."""
    at = 8 + 2 + 2 * 12 + 4
    make = b"NIKON CORPORATION\0"
    make_entry = (271, 2, len(make), struct.pack("<I", at))
    thumbnail = tiff((254, 4, 1, b"\1\0\0\0"), make_entry) + make
    full_size = tiff((254, 4, 1, b"\0\0\0\0"), make_entry) + make

    assert sniff_format(thumbnail, ".bak") == "nef"
    assert sniff_format(full_size, ".tif") == "tiff"


def test_broken_directories_do_not_break_the_sniffing() -> None:
    """Every cut and 2,000 random mutations of a TIFF head give a format, never an exception."""
    head = tiff((254, 4, 1, b"\1\0\0\0"), (271, 2, 9999, b"\xff\xff\xff\x7f"), (50706, 1, 4, b"1"))
    draw = random.Random(20260711)
    heads = [head[:length] for length in range(len(head))]
    for _ in range(2000):
        mutant = bytearray(head)
        for _ in range(4):
            mutant[draw.randrange(4, len(mutant))] = draw.randrange(256)
        heads.append(bytes(mutant))

    assert {sniff_format(each, ".nef") for each in heads} <= {"nef", "dng", "cr2", None}


@needs_data
def test_real_files_are_known_by_content() -> None:
    """Files of real cameras whose suffix tells their format; damaged ones are left out."""
    for path in [*(DATA / "raw").iterdir(), *(DATA / "jpeg").iterdir()]:
        suffix = path.suffix.lower().lstrip(".")
        expected = {"jpg": "jpeg"}.get(suffix, suffix)

        assert sniff_format(path.read_bytes()[:HEAD_BYTES], path.suffix) == expected, path.name


@needs_data
@pytest.mark.parametrize("folder", ["raw", "raw_headers", "jpeg", "broken_jpeg"])
def test_every_real_file_is_a_frame_whatever_its_state(folder: str) -> None:
    found = scan([DATA / folder])

    assert len(found.frames) == len(list((DATA / folder).iterdir()))
    assert found.skipped == ()


# ---------------------------------------------------------------- what is a frame


def test_photograph_by_name_alone_is_a_frame_of_unknown_format(tmp_path: Path) -> None:
    put(tmp_path, "a.jpg", content=b"%!PS-Adobe-3.0 EPSF-3.0")
    put(tmp_path, "b.cr3", content=b"")

    found = scan([tmp_path])

    assert frame_formats(found) == {"a.jpg": "unknown", "b.cr3": "unknown"}
    assert [frame.size_bytes for frame in found.frames] == [23, 0]


def test_photograph_by_content_alone_is_a_frame(tmp_path: Path) -> None:
    put(tmp_path, "recovered-0001", content=RAF)
    put(tmp_path, "recovered-0002.bin", content=JPEG)

    assert frame_formats(scan([tmp_path])) == {
        "recovered-0001": "raf",
        "recovered-0002.bin": "jpeg",
    }


def test_other_files_are_passed_over_with_their_reason(tmp_path: Path) -> None:
    put(tmp_path, "notes.txt", content=b"mist at dawn")
    put(tmp_path, "empty", content=b"")
    put(tmp_path, "MVI_0001.THM")
    put(tmp_path, ".hidden.jpg", "._AB001.JPG", ".Trashes/501/a.jpg")

    found = scan([tmp_path])

    assert found.frames == ()
    assert reasons(found) == {
        "notes.txt": "not a photograph",
        "empty": "empty file",
        "MVI_0001.THM": "thumbnail of a video or raw file",
        ".hidden.jpg": "hidden",
        "._AB001.JPG": "hidden",
        ".Trashes/": "hidden",
    }


def test_system_folders_of_a_card_are_passed_over_and_dcim_is_kept(tmp_path: Path) -> None:
    put(tmp_path, "DCIM/100ABCDE/AB0001.JPG", "DCIM/CANONMSC/M0100.JPG", "MISC/order.jpg")
    put(tmp_path, "PRIVATE/M4ROOT/THMBNL/C0001T01.JPG", "System Volume Information/x.jpg")

    found = scan([tmp_path])

    assert files(found) == ["DCIM/100ABCDE/AB0001.JPG"]
    assert set(reasons(found)) == {
        "DCIM/CANONMSC/",
        "MISC/",
        "PRIVATE/",
        "System Volume Information/",
    }


def test_a_photographers_own_folder_of_such_a_name_is_kept(tmp_path: Path) -> None:
    put(tmp_path, "misc/a.jpg", "private/b.jpg")

    assert files(scan([tmp_path])) == ["misc/a.jpg", "private/b.jpg"]


# ---------------------------------------------------------------- twins


def test_raw_and_its_jpeg_are_one_frame_in_any_case(tmp_path: Path) -> None:
    put(tmp_path, "AB1.CR2", "ab2.cr2", content=CR2)
    put(tmp_path, "AB1.jpg", "AB2.JPG")

    first, second = scan([tmp_path]).frames

    assert (first.file, first.companions, first.format) == ("AB1.CR2", ("AB1.jpg",), "cr2")
    assert (second.file, second.companions) == ("ab2.cr2", ("AB2.JPG",))
    assert second.companion_paths == (os.fsencode(tmp_path.resolve() / "AB2.JPG"),)


def test_spoilt_raw_keeps_its_twin(tmp_path: Path) -> None:
    """So that the twin can be measured where the raw cannot."""
    put(tmp_path, "AB1.CR2", content=b"")
    put(tmp_path, "AB1.JPG")

    (frame,) = scan([tmp_path]).frames

    assert (frame.file, frame.format, frame.companions) == ("AB1.CR2", "unknown", ("AB1.JPG",))


def test_spoilt_twin_gets_a_row_of_its_own(tmp_path: Path) -> None:
    put(tmp_path, "AB1.CR2", content=CR2)
    put(tmp_path, "AB1.JPG", content=b"")

    assert frame_formats(scan([tmp_path])) == {"AB1.CR2": "cr2", "AB1.JPG": "unknown"}


@needs_posix
@pytest.mark.parametrize(
    ("raws", "jpegs"),
    [
        (("AB1.CR2", "AB1.RAF"), ("AB1.JPG",)),
        (("AB1.CR2",), ("AB1.JPG", "AB1.jpg")),
        (("AB1.CR2", "ab1.CR2"), ("Ab1.JPG",)),
    ],
)
def test_where_several_could_belong_together_all_stay_apart(
    tmp_path: Path, raws: Iterable[str], jpegs: Iterable[str]
) -> None:
    put(tmp_path, *raws, content=CR2)
    put(tmp_path, *jpegs)
    if len(list(tmp_path.iterdir())) != len([*raws, *jpegs]):
        pytest.skip("this disk does not tell case")

    found = scan([tmp_path])

    assert sorted(files(found)) == sorted([*raws, *jpegs])
    assert all(frame.companions == () for frame in found.frames)


@needs_posix
def test_letter_for_letter_comes_before_any_case(tmp_path: Path) -> None:
    put(tmp_path, "AB1.CR2", "ab1.cr2", content=CR2)
    put(tmp_path, "AB1.JPG", "ab1.jpg")
    if len(list(tmp_path.iterdir())) != 4:
        pytest.skip("this disk does not tell case")

    pairs = {frame.file: frame.companions for frame in scan([tmp_path]).frames}

    assert pairs == {"AB1.CR2": ("AB1.JPG",), "ab1.cr2": ("ab1.jpg",)}


def test_files_of_two_folders_are_no_twins(tmp_path: Path) -> None:
    put(tmp_path, "raw/AB1.CR2", content=CR2)
    put(tmp_path, "jpeg/AB1.JPG")

    assert len(scan([tmp_path]).frames) == 2


# ---------------------------------------------------------------- order and folders


def test_order_is_natural_and_not_the_disks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, "AB10.jpg", "AB9.jpg", "10/x.jpg", "9/x.jpg", "ab1.jpg", "²3.jpg")
    once = scan([tmp_path])
    listed = os.scandir

    class Shuffled:
        def __init__(self, folder: str) -> None:
            with listed(folder) as entries:
                self.entries = list(entries)
            random.Random(len(self.entries)).shuffle(self.entries)

        def __enter__(self) -> "list[os.DirEntry[str]]":
            return self.entries

        def __exit__(self, *_: object) -> None: ...

    monkeypatch.setattr(os, "scandir", Shuffled)

    assert scan([tmp_path]) == once
    assert files(once) == ["9/x.jpg", "10/x.jpg", "ab1.jpg", "AB9.jpg", "AB10.jpg", "²3.jpg"]


def test_frames_tell_which_folder_they_are_from(tmp_path: Path) -> None:
    put(tmp_path, "one/a.jpg", "two/a.jpg")
    put(tmp_path, "one/n.txt", content=b"mist at dawn")

    found = scan([tmp_path / "two", tmp_path / "one"])

    assert [(frame.folder, frame.file) for frame in found.frames] == [(0, "a.jpg"), (1, "a.jpg")]
    assert [(skipped.folder, skipped.file) for skipped in found.skipped] == [(1, "n.txt")]


def test_folder_named_twice_or_inside_another_is_scanned_once(tmp_path: Path) -> None:
    put(tmp_path, "day-1/a.jpg", "day-2/b.jpg")

    found = scan([tmp_path / "day-1", tmp_path, tmp_path / "day-1"])

    assert [(f.folder, f.file) for f in found.frames] == [(0, "a.jpg"), (1, "day-2/b.jpg")]
    assert [(s.folder, s.file) for s in found.skipped] == [(1, "day-1"), (2, ".")]


def test_size_and_time_are_the_files_own(tmp_path: Path) -> None:
    put(tmp_path, "a.jpg")
    os.utime(tmp_path / "a.jpg", ns=(1_700_000_000_123_456_789, 1_700_000_000_123_456_000))

    (frame,) = scan([tmp_path]).frames

    found = (tmp_path / "a.jpg").stat()
    assert (frame.size_bytes, frame.mtime_ns) == (found.st_size, found.st_mtime_ns)


def test_missing_folder_and_file_are_refused_by_name(tmp_path: Path) -> None:
    put(tmp_path, "a.jpg")

    with pytest.raises(FolderError, match=r"nowhere: expected a folder, found: No such file"):
        scan([tmp_path / "nowhere"])
    with pytest.raises(FolderError, match=r"a\.jpg: expected a folder, found a file"):
        scan([tmp_path / "a.jpg"])


@needs_posix
def test_folder_that_cannot_be_listed_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stand-in for rights and broken sectors, since a test may run as the super-user."""
    put(tmp_path, "good/a.jpg", "bad/b.jpg")
    listed = os.scandir

    def failing(folder: str) -> object:
        if folder.endswith("bad"):
            raise OSError(5, "Input/output error")
        return listed(folder)

    monkeypatch.setattr(os, "scandir", failing)

    found = scan([tmp_path])

    assert files(found) == ["good/a.jpg"]
    assert reasons(found) == {"bad": "cannot be listed: Input/output error"}
    with pytest.raises(FolderError, match="expected a readable folder, found: Input/output error"):
        scan([tmp_path / "bad"])


@needs_posix
def test_photograph_that_cannot_be_read_still_gets_a_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, "a.jpg", "n.txt")

    def failing(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", failing)

    found = scan([tmp_path])

    assert frame_formats(found) == {"a.jpg": "unknown"}
    assert reasons(found) == {"n.txt": "cannot be read: Permission denied"}


# ---------------------------------------------------------------- hostile folders


@needs_posix
def test_links_are_not_followed(tmp_path: Path) -> None:
    put(tmp_path, "card/a.jpg")
    put(tmp_path, "elsewhere/b.jpg")
    (tmp_path / "card/loop").symlink_to(tmp_path / "card")
    (tmp_path / "card/b.jpg").symlink_to(tmp_path / "elsewhere/b.jpg")
    (tmp_path / "card/dead.jpg").symlink_to("nowhere")

    found = scan([tmp_path / "card"])

    assert files(found) == ["a.jpg"]
    assert reasons(found) == dict.fromkeys(("loop", "b.jpg", "dead.jpg"), "a link: not followed")


@needs_posix
def test_pipe_called_like_a_photograph_blocks_nothing(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")

    assert reasons(scan([tmp_path])) == {"pipe.jpg": "no regular file"}


@needs_posix
def test_any_name_makes_a_frame_with_a_valid_and_unique_text(tmp_path: Path) -> None:
    names = [
        b"caf\xe9.jpg",
        b"caf\\xe9.jpg",
        b"caf\\x5cxe9.jpg",
        b"two\nlines.jpg",
        b"\xff\xfe.jpg",
        "été.jpg".encode(),
        "e\u0301te\u0301.jpg".encode(),
        "\u202egpj.exe.jpg".encode(),
        b"[bold]#?%.jpg",
        b"n" * 251 + b".jpg",
        b"=cmd calc!A0.jpg",
    ]
    for name in names:
        (tmp_path / os.fsdecode(name)).write_bytes(JPEG)

    found = scan([tmp_path])

    assert {frame.path.rpartition(b"/")[2] for frame in found.frames} == set(names)
    texts = {frame.file.encode("utf-8") for frame in found.frames}
    assert len(texts) == len(names)
    assert b"caf\\xe9.jpg" in texts


@needs_posix
def test_text_of_a_name_leads_back_to_its_bytes() -> None:
    """Unescaping gives the name again, so no two names share a text; 5,000 random names."""
    draw = random.Random(7)
    alphabet = [b"\\", b"x", b"5", b"c", b"e", b"9", b"\xe9", b"\xc3\xa9", b"/", b"\xed\xa0\x80"]
    for _ in range(5000):
        name = b"".join(draw.choices(alphabet, k=draw.randrange(1, 9)))
        text = display_name(name).encode("utf-8")
        back = bytearray()
        while text:
            is_mark = (
                text[:2] == b"\\x"
                and len(text) >= 4
                and all(digit in b"0123456789abcdefABCDEF" for digit in text[2:4])
            )
            back += bytes.fromhex(text[2:4].decode()) if is_mark else text[:1]
            text = text[4 if is_mark else 1 :]

        assert bytes(back) == name


@needs_posix
def test_depth_is_no_danger(tmp_path: Path) -> None:
    """500 folders deep: past the longest path that the system opens."""
    here = os.open(tmp_path, os.O_RDONLY)
    for _ in range(500):
        os.mkdir("deepdeep", dir_fd=here)
        below = os.open("deepdeep", os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    os.close(here)
    put(tmp_path, "a.jpg")

    found = scan([tmp_path])

    assert files(found) == ["a.jpg"]
    assert [skipped.reason for skipped in found.skipped] == ["cannot be read: File name too long"]


@pytest.mark.parametrize(
    "name",
    [
        b"a.dng",
        b"caf\xe9/b.dng",
        "früh.dng".encode(),
        rb"a\x41.dng",
        rb"a\xe9.dng",
        rb"\\x00\x5cx",
        b"\xff\n",
    ],
)
def test_a_written_name_leads_back_to_its_file(name: bytes) -> None:
    assert named_bytes(display_name(name)) == name
