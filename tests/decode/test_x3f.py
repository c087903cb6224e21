"""Property lists of X3F files, built by hand; real ones are in test_containers."""

import struct

from hypothesis import given
from hypothesis import strategies as st

from audit.decode import read_metadata
from audit.decode.x3f import previews, property_tags


def x3f(properties: dict[str, str]) -> bytes:
    """Header, one property list, directory."""
    table, characters = b"", ""
    for pair in properties.items():
        for text in pair:
            table += struct.pack("<I", len(characters))
            characters += text + "\0"
    section = struct.pack("<4s5I", b"SECp", 0x20000, len(properties), 0, 0, len(characters))
    section += table + characters.encode("utf-16-le")
    data = b"FOVb".ljust(40, b"\0") + section
    directory = struct.pack("<4s2I", b"SECd", 0x20000, 1)
    directory += struct.pack("<II4s", 40, len(section), b"PROP")
    return data + directory + struct.pack("<I", len(data))


def test_properties_become_an_exposure() -> None:
    data = x3f(
        {
            "CAMMANUF": "VELMARK",
            "CAMMODEL": "VELMARK L1",
            "ISO": "200",
            "SHUTTER": "0.01000",
            "APERTURE": "5.6",
            "FLENGTH": "24.2",
            "FLEQ35MM": "41",
            "EXPCOMP": "+0.70",
            "TIME": "1259413520",
        }
    )
    found = read_metadata(data, format="x3f").exposure
    assert (found.make, found.model) == ("VELMARK", "VELMARK L1")
    assert (found.iso, found.shutter_s, found.aperture_n) == (200, 0.01, 5.6)
    assert (found.focal_mm, found.focal_35mm_mm, found.bias_ev) == (24.2, 41, 0.7)
    assert found.taken_at == "2009-11-28T13:05:20"


def test_words_where_numbers_belong_are_unknown() -> None:
    data = x3f({"ISO": "AUTO", "SHUTTER": "", "TIME": "-1", "APERTURE": "nan", "FLENGTH": "inf"})
    found = read_metadata(data, format="x3f").exposure
    assert (found.iso, found.shutter_s, found.taken_at) == (None, None, None)
    assert (found.aperture_n, found.focal_mm) == (None, None)


@given(st.binary(max_size=200), st.integers(0, 300))
def test_hostile_files_end_without_an_error(noise: bytes, at: int) -> None:
    sound = x3f({"ISO": "100", "TIME": "5"})
    data = sound[:at] + noise + sound[at + len(noise) :]
    property_tags(data)
    assert all(jpeg.startswith(b"\xff\xd8") for jpeg in previews(data))
