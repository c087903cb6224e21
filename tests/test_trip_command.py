"""``frame-audit trip`` from words to text, on real pixels of the sample trip."""

import json
from pathlib import Path

import pytest

from audit import cli

SAMPLE = Path(__file__).parents[1] / "sample_data"


@pytest.fixture(scope="module", name="cache")
def cache_fixture(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(tmp_path_factory.mktemp("cache"))


def called(*words: str, cache: str) -> int:
    return cli.main(["trip", *words, "--cache", cache, "--quiet", "--jobs", "1"])


def test_a_day_of_the_sample_trip(cache: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Three frames are too few for anything; their day and light are those of the maker's plan."""
    folder = str(SAMPLE / "day-3-ostrel-falls")

    assert called(folder, "--json", "-", cache=cache) == 0
    trip = json.loads(capsys.readouterr().out)
    assert (trip["frames"], trip["folders"]) == (3, [folder])
    (day,) = trip["days"]
    assert (day["day"], day["frames"], day["kept"]) == ("2031-05-16", 3, 3)
    assert trip["statements"] == []

    assert called(folder, "--print", "36x24in", cache=cache) == 0
    text = capsys.readouterr().out
    assert "3 frames of" in text
    assert "Nothing that these frames are enough to tell." in text


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ([], "expected a folder, as in: frame-audit trip ~/trip"),
        (["trip", "--jsn", "x"], "unknown option --jsn; did you mean --json?"),
        (["nowhere"], "nowhere"),
        (["trip", "--json", "no/such/place.json"], "expected a folder no/such"),
    ],
)
def test_a_misuse_gets_a_sentence(
    words: list[str],
    sentence: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "trip").mkdir()

    assert cli.main(["trip", *words]) == 2
    assert sentence in capsys.readouterr().err


def test_an_empty_folder_says_that_nothing_was_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "trip").mkdir()

    assert called(str(tmp_path / "trip"), cache=str(tmp_path / "cache")) == 0
    assert "No frame was measured" in capsys.readouterr().out


def test_help_has_examples(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["trip", "--help"]) == 0
    assert "frame-audit trip ~/trip --json trip.json" in capsys.readouterr().out
