"""A sweep through a fisheye: it cannot be joined, and that is told where the series are."""

from dataclasses import replace

import msgspec
import pytest
from planted_sweep import Pose, picture, shot, world

from audit.records import Exposure
from audit.series.fisheye import is_fisheye
from audit.series.found import series_record
from audit.series.group import find_series
from audit.settings import Settings

SCENE = world(7)
POSES = [Pose(yaw_deg=40.0 * i, upright=True, focal_mm=15, fisheye=True) for i in range(3)]


def card(lens="15mm f/2.8 Fisheye", apart_s=5.0, times_s=(0.01, 0.01, 0.01)):
    """Three drawn frames (equidistant), as far apart as those of a sweep."""
    out = []
    for i, pose in enumerate(POSES):
        each = shot(i, picture(SCENE, pose, i), pose, apart_s * i, shutter_s=times_s[i])
        exposure = msgspec.structs.replace(each.exposure, lens=lens)
        out.append(replace(each, row=msgspec.structs.replace(each.row, exposure=exposure)))
    return out


def test_a_sweep_through_a_fisheye_is_told():
    (series,) = find_series(card(), Settings())
    record = series_record(series, 1)
    assert record.kind == "panorama"
    assert record.panorama is None
    assert len(record.files) == 3
    (note,) = record.notes
    assert "cannot be joined" in note
    assert "15mm f/2.8 Fisheye" in note
    assert record.best is None


@pytest.mark.parametrize(
    "more",
    [{"lens": "15mm f/2.8"}, {"lens": None}, {"apart_s": 40.0}, {"times_s": (0.01, 0.02, 0.01)}],
    ids=["another lens", "no name", "long pauses", "settings changed"],
)
def test_single_pictures_are_not_called_a_sweep(more):
    assert find_series(card(**more), Settings()) == ()


@pytest.mark.parametrize("lens", ["8-15mm FISHEYE", "Fish-Eye 10.5mm", "fish eye 16 mm"])
def test_the_word_of_the_trade_is_known(lens):
    assert is_fisheye(Exposure(lens=lens))
    assert not is_fisheye(Exposure(lens="14mm f/2.8"))
