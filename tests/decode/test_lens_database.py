"""Crop factors by strict matching alone."""

import pytest

from audit.decode import lens_database
from audit.decode.lens_database import database_crop

pytest.importorskip("lensfunpy", reason="the extra 'lensdb' is not installed")


@pytest.mark.parametrize(
    ("make", "model", "crop"),
    [
        ("Canon", "Canon EOS 5D", 1.0),
        ("NIKON CORPORATION", "NIKON D70", 1.525),
        ("SONY", "ILCE-6400", 1.534),
    ],
)
def test_known_bodies_have_their_crop(make: str, model: str, crop: float) -> None:
    """43.267 mm over the diagonal of the nominal 36 x 24, 23.7 x 15.6 and 23.5 x 15.6 mm."""
    assert database_crop(make, model) == pytest.approx(crop, rel=0.02)


@pytest.mark.parametrize(
    ("make", "model"),
    [
        ("Hasselblad", "X2D 100C"),
        ("FUJIFILM", "GFX100 II"),
        ("Canon", "EOS"),
        ("Canon", ""),
        (None, "Canon EOS 5D"),
        ("Canon", None),
        ("Velmark", "VK-50"),
    ],
)
def test_no_body_stands_in_for_another(make: str | None, model: str | None) -> None:
    """Loose matching gave a drone for a medium-format body."""
    assert database_crop(make, model) is None


def test_a_crop_that_was_never_filled_in_is_unknown() -> None:
    """A compact with a sensor of a few mm stands in the database with a crop of 1."""
    assert database_crop("Eastman Kodak Company", "Kodak DC120 ZOOM Digital Camera") is None


def test_without_the_extra_every_crop_is_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lens_database, "lensfunpy", None)
    database_crop.cache_clear()
    assert database_crop("Canon", "Canon EOS 5D") is None
    database_crop.cache_clear()
