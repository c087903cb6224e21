"""Every trap of the Exif standard, one test each; judged on tags in their plain form."""

import math
import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.decode import ev100, read_metadata
from audit.decode import tags as exif
from audit.decode.metadata import exposure_of, metadata_of, sequence_of
from audit.decode.tags import Value, merged
from audit.records import Exposure


def exposure(**tags: Value) -> Exposure:
    """Exposure of tags named as in `audit.decode.tags`, in small letters."""
    return exposure_of({getattr(exif, name.upper()): value for name, value in tags.items()})


# ---------------------------------------------------------------- time


@pytest.mark.parametrize(
    ("digits", "written"),
    [("5", ".5"), ("05", ".05"), ("050", ".050"), ("583", ".583"), ("92 ", ".92"), ("7\0\0", ".7")],
)
def test_sub_seconds_are_decimal_digits_as_written(digits: str, written: str) -> None:
    """Exif 3.0, SubSecTime: a fraction, left-aligned; "5" is .5 and "05" is .05."""
    found = exposure(date_time_original="2026:05:01 06:30:15", sub_sec_time_original=digits)
    assert found.taken_at == "2026-05-01T06:30:15" + written


@pytest.mark.parametrize("digits", ["", "  ", "\0", "-5", "1.5", "x", "½"])
def test_sub_seconds_that_are_no_digits_are_left_out(digits: str) -> None:
    found = exposure(date_time_original="2026:05:01 06:30:15", sub_sec_time_original=digits)
    assert found.taken_at == "2026-05-01T06:30:15"


@pytest.mark.parametrize(
    "date",
    [
        "    :  :     :  :  ",
        "0000:00:00 00:00:00",
        "",
        "\0" * 20,
        "2026:13:01 00:00:00",
        "2026:02:30 00:00:00",
        "2026:05:01 24:00:00",
        "2026:05:01",
        "yesterday",
    ],
)
def test_blank_zero_and_impossible_dates_are_unknown(date: str) -> None:
    assert exposure(date_time_original=date).taken_at is None


def test_a_blank_date_gives_way_to_the_digitised_one_with_its_own_fraction() -> None:
    found = exposure(
        date_time_original="    :  :     :  :  ",
        sub_sec_time_original="11",
        offset_time_original="+09:00",
        date_time_digitized="2026:05:01 06:30:15",
        sub_sec_time_digitized="22",
        offset_time_digitized="+02:00",
    )
    assert (found.taken_at, found.utc_offset) == ("2026-05-01T06:30:15.22", "+02:00")


def test_the_date_of_the_last_change_is_no_time_of_exposure() -> None:
    """DateTime (0132) is renewed by every editor."""
    assert exposure(date_time="2026:05:01 06:30:15").taken_at is None


@pytest.mark.parametrize(
    ("offset", "kept"),
    [("+02:00", "+02:00"), ("-07:00\0", "-07:00"), ("   :  ", None), ("Z", None), ("2", None)],
)
def test_a_zone_is_kept_only_where_the_camera_said_one(offset: str, kept: str | None) -> None:
    found = exposure(date_time_original="2026:05:01 06:30:15", offset_time_original=offset)
    assert found.utc_offset == kept


# ---------------------------------------------------------------- shutter, aperture, sensitivity


@pytest.mark.parametrize("value", [(None,), (0.0,), (-1.0,), (), "", (math.inf,), (math.nan,)])
def test_impossible_values_are_unknown(value: Value) -> None:
    """n/0 and 0/0 come as ``None``; 0 is a lens without contacts, or an unknown bulb time."""
    found = exposure(
        exposure_time=value,
        f_number=value,
        photographic_sensitivity=value,
        focal_length=value,
        focal_length_in_35mm_film=value,
    )
    assert found.shutter_s is None
    assert found.aperture_n is None
    assert found.iso is None
    assert found.focal_mm is None
    assert found.focal_35mm_mm is None
    assert found.ev100 is None


def test_direct_values_win_over_apex_ones() -> None:
    """1/125 may stand beside an APEX 7.0, which is 1/128."""
    found = exposure(
        exposure_time=(1 / 125,),
        shutter_speed_value=(7.0,),
        f_number=(8.0,),
        aperture_value=(5.9,),
    )
    assert (found.shutter_s, found.aperture_n) == (1 / 125, 8.0)


@pytest.mark.parametrize(
    ("time_value", "seconds"), [(-5, 32), (-1, 2), (0, 1), (1, 1 / 2), (7, 1 / 128), (10, 1 / 1024)]
)
def test_apex_time_stands_in_for_a_missing_time(time_value: int, seconds: float) -> None:
    """Tv = -log2 t: Exif 3.0, annex C, table of APEX values."""
    assert exposure(shutter_speed_value=(float(time_value),)).shutter_s == pytest.approx(seconds)


@pytest.mark.parametrize(
    ("aperture_value", "number"), [(1, 1.4), (2, 2.0), (3, 2.8), (4, 4), (6, 8), (8, 16), (9, 22)]
)
def test_apex_aperture_stands_in_for_a_missing_number(aperture_value: int, number: float) -> None:
    """Av = 2 log2 N, printed with nominal numbers (Exif 3.0, annex C): within 3 %."""
    found = exposure(aperture_value=(float(aperture_value),)).aperture_n
    assert found == pytest.approx(number, rel=0.03)


def test_apex_does_not_replace_a_zero_that_the_camera_wrote() -> None:
    """An adapted lens: FNumber 0 and ApertureValue 0 would else become f/1."""
    found = exposure(
        f_number=(0.0,), aperture_value=(2.0,), exposure_time=(0.0,), shutter_speed_value=(2.0,)
    )
    assert (found.aperture_n, found.shutter_s) == (None, None)
    assert exposure(aperture_value=(0.0,)).aperture_n is None


def test_apex_replaces_a_ratio_over_zero() -> None:
    found = exposure(f_number=(None,), aperture_value=(6.0,))
    assert found.aperture_n == pytest.approx(8)


@pytest.mark.parametrize("broken", [1e9, -1e9])
def test_broken_apex_values_are_unknown(broken: float) -> None:
    found = exposure(shutter_speed_value=(broken,), aperture_value=(broken,))
    assert (found.shutter_s, found.aperture_n) == (None, None)


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (1, 100_001),
        (2, 100_002),
        (3, 100_003),
        (4, 100_001),
        (5, 100_001),
        (6, 100_002),
        (7, 100_001),
        (0, 100_001),
        (None, 100_001),
    ],
)
def test_iso_65535_refers_to_the_long_tags(kind: int | None, expected: float) -> None:
    """XMP Part 3 (ISO 16684-3:2021), 2.4.1: 65535 = see 8831-8833; SensitivityType says which."""
    tags: dict[str, Value] = {
        "photographic_sensitivity": (65535.0,),
        "standard_output_sensitivity": (100_001.0,),
        "recommended_exposure_index": (100_002.0,),
        "iso_speed": (100_003.0,),
    }
    if kind is not None:
        tags["sensitivity_type"] = (float(kind),)
    assert exposure(**tags).iso == expected


def test_iso_65535_alone_is_unknown() -> None:
    assert exposure(photographic_sensitivity=(65535.0,)).iso is None


def test_iso_takes_the_first_of_several_values() -> None:
    assert exposure(photographic_sensitivity=(200.0, 0.0)).iso == 200


def test_exposure_index_stands_in_for_a_missing_sensitivity() -> None:
    """TIFF/EP (ISO 12234-2) ExposureIndex, as early raw files have it."""
    assert exposure(tiff_ep_exposure_index=(160.0,)).iso == 160


@pytest.mark.parametrize(
    ("shutter_s", "aperture_n", "iso", "expected"),
    [
        (1.0, 1.0, 100.0, 0.0),
        (1 / 128, 16.0, 100.0, 15.0),
        (1 / 128, 16.0, 400.0, 13.0),
        (1 / 125, 16.0, 100.0, 14.9658),
        (30.0, 2.8, 3200.0, -6.9360),
    ],
)
def test_ev100_is_the_apex_sum(
    shutter_s: float, aperture_n: float, iso: float, expected: float
) -> None:
    """EV = Av + Tv (Exif 3.0, annex C; ISO 2720), less log2 of ISO / 100. Sunny 16: EV 15."""
    assert ev100(shutter_s, aperture_n, iso) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    ("value", "kept"), [((0.0,), 0.0), ((-2.0,), -2.0), ((None,), None), ((99.0,), None)]
)
def test_zero_compensation_is_a_value_and_a_broken_one_is_unknown(
    value: Value, kept: float | None
) -> None:
    assert exposure(exposure_bias_value=value).bias_ev == kept


# ---------------------------------------------------------------- the rest


@pytest.mark.parametrize(
    ("distance", "kept"),
    [(3.5, 3.5), (0.0, None), (0xFFFFFFFF / 1, None), (0xFFFFFFFF / 1000, None), (None, None)],
)
def test_infinite_and_unknown_distances_are_left_out(
    distance: float | None, kept: float | None
) -> None:
    """Exif 3.0, SubjectDistance: numerator FFFFFFFF is infinity, 0 is unknown."""
    assert exposure(subject_distance=(distance,)).subject_distance_m == kept


@pytest.mark.parametrize(("ratio", "kept"), [(0.0, None), (1.0, None), (2.5, 2.5), (None, None)])
def test_digital_zoom_counts_only_above_one(ratio: float | None, kept: float | None) -> None:
    """Exif 3.0, DigitalZoomRatio: numerator 0 means not used."""
    assert exposure(digital_zoom_ratio=(ratio,)).digital_zoom == kept


@pytest.mark.parametrize("stored", [0, 9, 65535, -1, None])
def test_orientation_out_of_range_is_upright(stored: int | None) -> None:
    value = None if stored is None else float(stored)
    assert exposure(orientation=(value,)).orientation == 1


@pytest.mark.parametrize("stored", range(1, 9))
def test_orientation_in_range_is_kept(stored: int) -> None:
    assert exposure(orientation=(float(stored),)).orientation == stored


def test_padding_of_texts_is_cut() -> None:
    found = exposure(make="NIKON CORPORATION\0\0\0", model="VK-50   ", body_serial_number="\0\0")
    assert (found.make, found.model, found.body_serial) == ("NIKON CORPORATION", "VK-50", None)


def test_dng_names_stand_in_for_missing_ones() -> None:
    found = exposure(dng_unique_camera_model="Velmark VK-50", dng_camera_serial_number="0042")
    assert (found.model, found.body_serial) == ("Velmark VK-50", "0042")


def test_a_serial_written_as_a_number_is_a_text() -> None:
    assert exposure(body_serial_number=(4711.0,)).body_serial == "4711"


@pytest.mark.parametrize(
    ("lens", "kept"), [("Aravel 35 mm f/2\0", "Aravel 35 mm f/2"), ("1", None), ("----", None)]
)
def test_a_lens_name_has_letters(lens: str, kept: str | None) -> None:
    assert exposure(lens_model=lens).lens == kept


@pytest.mark.parametrize(("mode", "kept"), [((0.0,), False), ((2.0,), True), ((None,), None)])
def test_auto_bracket_is_exposure_mode_two(mode: Value, kept: bool | None) -> None:
    assert exposure(exposure_mode=mode).auto_bracket is kept


@pytest.mark.parametrize(
    ("kind", "kept"), [(0.0, None), (1.0, False), (2.0, True), (3.0, True), (9.0, None)]
)
def test_composites_are_kinds_two_and_three(kind: float, kept: bool | None) -> None:
    """Exif 2.32, CompositeImage: 2 general, 3 composed while shooting."""
    assert exposure(composite_image=(kind,)).composite is kept


def test_editing_software_is_named_only_by_the_tags_made_for_it() -> None:
    """Exif 3.0: A43B editing, A43A raw development. Software (0131) may be a firmware: not read."""
    assert exposure(image_editing_software="Some Editor 3").edited_with == "Some Editor 3"
    assert exposure(raw_developing_software="Some Converter").edited_with == "Some Converter"
    assert exposure_of({0x0131: "Some Editor 3"}).edited_with is None


def test_the_unit_of_the_focal_plane_is_inch_where_it_was_left_out() -> None:
    """Exif 3.0, FocalPlaneResolutionUnit: default 2."""
    x = {exif.FOCAL_PLANE_X_RESOLUTION: (4000.0,)}
    assert metadata_of(x).focal_plane_unit == 2
    assert metadata_of({**x, exif.FOCAL_PLANE_RESOLUTION_UNIT: (3.0,)}).focal_plane_unit == 3
    assert metadata_of({exif.FOCAL_PLANE_RESOLUTION_UNIT: (3.0,)}).focal_plane_unit is None
    assert metadata_of({exif.FOCAL_PLANE_X_RESOLUTION: (0.0,)}).focal_plane_x is None


# ---------------------------------------------------------------- sequences of DNG


def sequence_bytes(identity: str, kind: str, frame: str, index: int, count: int) -> bytes:
    texts = b"".join(text.encode() + b"\0" for text in (identity, kind, frame))
    return texts + struct.pack(">II", index, count) + b"\0"


def test_a_dng_sequence_is_read_as_written() -> None:
    """DNG 1.7.1, ImageSequenceInfo: three texts, index and count big-endian, a final byte."""
    content = sequence_bytes("A1B2C3D4", "FocusStack", "n=3", 2, 12)
    tags = {exif.DNG_IMAGE_SEQUENCE_INFO: tuple(float(byte) for byte in content)}
    assert exposure_of(tags).sequence == "A1B2C3D4/FocusStack/2/12"


@pytest.mark.parametrize(
    "content",
    [b"", b"abc", b"abc\0Bracket\0x\0", b"abc\0Bracket\0x\0\0\0\0\1", b"\0\0\0" + b"\0" * 9],
)
def test_a_sequence_cut_short_is_unknown(content: bytes) -> None:
    assert sequence_of(content) is None


@given(st.binary(max_size=64))
def test_hostile_sequences_never_raise(content: bytes) -> None:
    assert sequence_of(content) is None or sequence_of(content).count("/") >= 3  # type: ignore[union-attr]


# ---------------------------------------------------------------- whole files


def test_the_first_reader_that_knows_a_tag_wins() -> None:
    first: dict[int, Value] = {exif.MAKE: "\0 ", exif.F_NUMBER: (8.0,), exif.FOCAL_LENGTH: (None,)}
    second: dict[int, Value] = {
        exif.MAKE: "Velmark",
        exif.F_NUMBER: (9.0,),
        exif.FOCAL_LENGTH: (35.0,),
    }
    assert merged([first, second]) == {
        exif.MAKE: "Velmark",
        exif.F_NUMBER: (8.0,),
        exif.FOCAL_LENGTH: (35.0,),
    }


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_whole_exif_block_is_read_in_both_byte_orders(
    tiff: Callable[..., bytes], order: str
) -> None:
    block = tiff(
        {271: (2, b"Velmark\0"), 272: (2, b"VK-50\0"), 274: (3, [6])},
        {
            exif.EXPOSURE_TIME: (5, [(1, 125)]),
            exif.F_NUMBER: (5, [(11, 1)]),
            exif.PHOTOGRAPHIC_SENSITIVITY: (3, [200]),
            exif.DATE_TIME_ORIGINAL: (2, b"2026:05:01 06:30:15\0"),
            exif.SUB_SEC_TIME_ORIGINAL: (2, b"05\0"),
            exif.FOCAL_LENGTH: (5, [(350, 10)]),
            exif.EXPOSURE_BIAS_VALUE: (10, [(-2, 3)]),
            exif.SUBJECT_DISTANCE: (5, [(0xFFFFFFFF, 1)]),
        },
        order=order,
    )
    found = read_metadata(block, format="tiff").exposure
    assert found == Exposure(
        make="Velmark",
        model="VK-50",
        orientation=6,
        shutter_s=1 / 125,
        aperture_n=11.0,
        iso=200.0,
        taken_at="2026-05-01T06:30:15.05",
        focal_mm=35.0,
        bias_ev=-2 / 3,
        ev100=ev100(1 / 125, 11.0, 200.0),
    )


def test_text_of_the_utf8_type_is_read_and_breaks_nothing(tiff: Callable[..., bytes]) -> None:
    """Exif 3.0 adds type 129; readers that know types 1 to 13 skip it."""
    block = tiff(
        {271: (2, b"Velmark\0")},
        {
            exif.LENS_MODEL: (129, "Åravel 35 mm\0".encode()),
            exif.IMAGE_EDITING_SOFTWARE: (129, b"Some Editor\0"),
            exif.F_NUMBER: (5, [(8, 1)]),
        },
    )
    found = read_metadata(block, format="tiff").exposure
    assert (found.lens, found.edited_with, found.aperture_n) == ("Åravel 35 mm", "Some Editor", 8)


def test_a_file_without_any_exif_has_an_empty_exposure() -> None:
    assert read_metadata(b"II*\0\x08\0\0\0\0\0\0\0\0\0", format="tiff").exposure == Exposure()
    assert read_metadata(b"", format="jpeg").exposure == Exposure()


FORMATS = ("jpeg", "tiff", "dng", "cr2", "cr3", "crw", "raf", "mrw", "rw2", "orf", "x3f", "nef")
MAGICS = (b"II*\0", b"MM\0*", b"IIU\0", b"IIRO", b"\xff\xd8\xff\xe1", b"FUJIFILMCCD-RAW ", b"\0MRM")


@given(st.sampled_from(FORMATS), st.sampled_from(MAGICS), st.binary(max_size=300))
def test_hostile_headers_never_raise(format: str, magic: bytes, rest: bytes) -> None:  # noqa: A002
    """Neither our own walks nor what they hand to the libraries."""
    read_metadata(magic + rest, format=format)
