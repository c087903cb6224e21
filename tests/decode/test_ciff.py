"""CRW records, against LibRaw on real files and by hand on built ones."""

import struct
from collections.abc import Callable
from pathlib import Path

import pytest
import rawpy
from hypothesis import given
from hypothesis import strategies as st

from audit.decode import read_metadata
from audit.decode.ciff import ciff_tags


def heap(*records: tuple[int, bytes]) -> bytes:
    """One CIFF heap, little-endian: contents, directory, offset of the directory."""
    content, entries = b"", b""
    for kind, value in records:
        if kind & 0xC000 == 0x4000:
            entries += struct.pack("<H8s", kind, value.ljust(8, b"\0"))
        else:
            entries += struct.pack("<HII", kind, len(value), len(content))
            content += value
    return content + struct.pack("<H", len(records)) + entries + struct.pack("<I", len(content))


def crw(*records: tuple[int, bytes]) -> bytes:
    header = b"II" + struct.pack("<I", 26) + b"HEAPCCDR" + b"\0" * 12
    return header + heap(*records)


def test_real_files_equal_libraw(real_files: Callable[[str], list[Path]]) -> None:
    """Sensitivity, time, aperture and focal length of three cameras."""
    compared = 0
    for path in real_files("raw"):
        if path.suffix.lower() != ".crw":
            continue
        found = read_metadata(path.read_bytes(), format="crw").exposure
        with rawpy.imread(str(path)) as raw:
            other = raw.other
        assert found.shutter_s == pytest.approx(other.shutter_speed, rel=1e-6)
        assert found.aperture_n == pytest.approx(other.aperture, rel=1e-6)
        assert found.iso == pytest.approx(other.iso_speed, rel=1e-6)
        assert found.focal_mm == pytest.approx(other.focal_length, rel=1e-6)
        compared += 1
    assert compared >= 3


def test_nested_heaps_are_followed() -> None:
    inner = heap((0x080A, b"Velmark\0VK-50\0"))
    data = crw((0x300A, heap((0x2807, inner), (0x5029, struct.pack("<HH", 2, 224)))))
    found = read_metadata(data, format="crw").exposure
    assert (found.make, found.model, found.focal_mm) == ("Velmark", "VK-50", 7.0)


@pytest.mark.parametrize(
    ("degrees", "orientation"), [(0, 1), (90, 6), (180, 3), (270, 8), (-90, 8)]
)
def test_rotation_becomes_orientation(degrees: int, orientation: int) -> None:
    data = crw((0x1810, struct.pack("<IIfi", 10, 10, 1.0, degrees)))
    assert read_metadata(data, format="crw").exposure.orientation == orientation


def test_apex_floats_of_the_standard_record_are_read() -> None:
    """Record 0x1818: compensation, Tv, Av (APEX: 2^-Tv s, 2^(Av/2))."""
    data = crw((0x1818, struct.pack("<3f", -0.5, 7.0, 6.0)))
    found = read_metadata(data, format="crw").exposure
    assert (found.bias_ev, found.shutter_s, found.aperture_n) == (-0.5, 1 / 128, 8.0)


def test_zero_time_and_serial_are_unknown() -> None:
    data = crw((0x180E, struct.pack("<III", 0, 0, 0)), (0x180B, struct.pack("<I", 0)))
    found = read_metadata(data, format="crw").exposure
    assert (found.taken_at, found.body_serial) == (None, None)


@given(st.binary(max_size=300))
def test_hostile_heaps_end_without_an_error(content: bytes) -> None:
    ciff_tags(b"II" + struct.pack("<I", 14) + b"HEAPCCDR" + content)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                [0x080A, 0x1810, 0x1818, 0x180E, 0x102A, 0x5029, 0x580B, 0x300A, 0x2807]
            ),
            st.binary(max_size=40),
        ),
        max_size=8,
    ),
    st.integers(0, 200),
)
def test_hostile_records_end_without_an_error(records: list[tuple[int, bytes]], cut: int) -> None:
    """Records too short, heaps of noise, NaN as APEX, and files cut anywhere."""
    data = crw(*((kind, value[:8] if kind & 0x4000 else value) for kind, value in records))
    read_metadata(data, format="crw")
    read_metadata(data[:cut], format="crw")


def test_a_heap_that_holds_itself_ends() -> None:
    """A sub-heap whose offset and size are those of the heap around it."""
    data = bytearray(crw((0x300A, b"")))
    size = len(data) - 26
    struct.pack_into("<II", data, 26 + 4, size, 0)
    assert ciff_tags(bytes(data)) == {}
