"""Dust planted into rendered scenes: found at its place, with its size and depth, and none else."""

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from audit.measure.dust_view import dust_view
from audit.records import AuditedFrame, Exposure, Sensor, Series
from audit.series.dust import LEAST_FRAMES, Dust, body_name, find_dust, one_framing
from audit.series.kept_dust import kept_dust

COLS, ROWS = 512, 341
Plane = NDArray[np.float32]
SPOT = (0.3, 0.25, 0.008, 0.12)
"""Share from the left, from the top, of the width across, contrast at f/16."""


def scene(seed: int) -> Plane:
    """A plain sky above ground with a spectrum of 1/f, as landscapes have (Field 1987)."""
    draw = np.random.default_rng(seed)
    rows, cols = np.fft.fftfreq(ROWS)[:, None], np.fft.rfftfreq(COLS)
    falling = 1 / np.maximum(np.hypot(rows, cols), 1 / COLS)
    waves = np.fft.rfft2(draw.standard_normal((ROWS, COLS))) * falling
    ground = np.fft.irfft2(waves, s=(ROWS, COLS))
    ground *= 0.5 / ground.std()
    horizon = ROWS * draw.uniform(0.35, 0.7) + 10 * np.sin(np.arange(COLS) / draw.uniform(20, 60))
    below = np.arange(ROWS)[:, None] > horizon
    sky = -0.6 - 0.4 * np.arange(ROWS)[:, None] / ROWS
    levels = np.exp(np.where(below, -1.6 + ground, sky))
    return (levels * np.exp(0.004 * draw.standard_normal((ROWS, COLS)))).astype(np.float32)


def with_dust(levels: Plane, aperture_n: float, spots: Sequence[tuple[float, ...]]) -> Plane:
    """Discs with a soft edge; depth by the square of the f-number (plain geometry)."""
    rows, cols = np.mgrid[:ROWS, :COLS] + 0.5
    dusty = levels.copy()
    for x, y, diameter, contrast in spots:
        away = np.hypot(cols - x * COLS, rows - y * ROWS) / (diameter * COLS / 2)
        shadow = gaussian_filter((away < 1).astype(np.float64), 0.5)
        dusty *= 1 - contrast * (aperture_n / 16) ** 2 * shadow
    return dusty


def row(name: str, aperture_n: float | None = 16.0, model: str | None = "VK-50") -> AuditedFrame:
    return AuditedFrame(
        file=name,
        companions=(),
        format="dng",
        state="measured",
        error=None,
        exposure=Exposure(make="Velmark", model=model, aperture_n=aperture_n),
        sensor=Sensor(
            width_px=6000, height_px=4000, pitch_um=6.0, pitch_source="test", basis="raw"
        ),
        verdict="keeper",
        rank=None,
    )


def dust_in(rows: Sequence[AuditedFrame], planes: Sequence[Plane]) -> Dust:
    views = [dust_view(plane) for plane in planes]
    return find_dust(rows, range(len(rows)), lambda place: views[place])


def apertures(count: int) -> list[float]:
    return [(8.0, 11.0, 16.0)[number % 3] for number in range(count)]


def test_a_planted_spot_is_found_with_place_size_and_depth() -> None:
    stops = apertures(14)
    planes = [with_dust(scene(seed), n, [SPOT]) for seed, n in enumerate(stops)]

    found = dust_in([row(f"{i}.dng", n) for i, n in enumerate(stops)], planes)

    (spot,) = found.spots
    assert (spot.x_share, spot.y_share) == pytest.approx((0.3, 0.25), abs=0.002)
    assert spot.diameter_share == pytest.approx(0.008, rel=0.25)
    assert spot.contrast == pytest.approx(0.12, rel=0.25)
    assert spot.aperture_n == 16.0
    assert spot.diameter_um == pytest.approx(0.008 * 36_000, rel=0.25)
    assert spot.body == "Velmark VK-50"


def test_frames_show_it_as_deep_as_their_aperture_draws_it() -> None:
    """A quarter of the contrast at twice the opening: two stops (plain geometry)."""
    stops = [8.0, 16.0] * 7
    planes = [with_dust(scene(seed), n, [SPOT]) for seed, n in enumerate(stops)]

    found = dust_in([row(f"{i}.dng", n) for i, n in enumerate(stops)], planes)

    depths = {
        n: [s.contrast for s, m in zip(sum(found.shown, ()), stops, strict=False) if m == n]
        for n in (8.0, 16.0)
    }
    assert np.median(depths[16.0]) == pytest.approx(0.12, rel=0.3)
    assert len(found.spots[0].files) == found.spots[0].frames >= 10


def test_clean_sensors_stay_clean() -> None:
    planes = [scene(seed) for seed in range(30)]

    assert dust_in([row(f"{i}.dng") for i in range(30)], planes).spots == ()


def test_a_place_without_sky_is_told_no_spot_by_one_frame() -> None:
    """A dark stone in one frame is no dust, however dark."""
    planes = [scene(seed) for seed in range(12)]
    planes[4] = with_dust(planes[4], 16.0, [(0.5, 0.2, 0.008, 0.35)])

    assert dust_in([row(f"{i}.dng") for i in range(12)], planes).spots == ()


def test_one_framing_is_one_voice() -> None:
    """Thirty frames from a tripod all have the same dark bird at the same place."""
    still = with_dust(scene(1), 16.0, [(0.5, 0.2, 0.008, 0.3)])
    draw = np.random.default_rng(5)
    noisy = [
        (still * np.exp(0.004 * draw.standard_normal(still.shape))).astype(np.float32)
        for _ in range(30)
    ]
    planes = [*noisy, *(scene(seed) for seed in range(40, 52))]

    assert dust_in([row(f"{i}.dng") for i in range(len(planes))], planes).spots == ()


def test_frames_that_are_said_to_be_one_framing_are_too_few() -> None:
    planes = [with_dust(scene(seed), 16.0, [SPOT]) for seed in range(12)]
    views = [dust_view(plane) for plane in planes]
    rows = [row(f"{i}.dng") for i in range(12)]

    found = find_dust(rows, [i // 4 for i in range(12)], lambda place: views[place])

    assert found.spots == ()


def test_too_few_frames_say_nothing() -> None:
    planes = [with_dust(scene(seed), 16.0, [SPOT]) for seed in range(LEAST_FRAMES - 1)]

    assert dust_in([row(f"{i}.dng") for i in range(len(planes))], planes).spots == ()


def test_two_bodies_have_each_their_own_dust() -> None:
    other = (0.7, 0.15, 0.008, 0.15)
    planes = [with_dust(scene(s), 16.0, [SPOT if s % 2 else other]) for s in range(24)]
    rows = [row(f"{s}.dng", model="VK-50" if s % 2 else "VK-60") for s in range(24)]

    found = dust_in(rows, planes)

    places = {spot.body: spot.x_share for spot in found.spots}
    assert places == pytest.approx({"Velmark VK-50": 0.3, "Velmark VK-60": 0.7}, abs=0.003)
    assert all(
        found.spots[seen.spot].body.endswith(rows[place].exposure.model)  # type: ignore[union-attr]
        for place, shown in enumerate(found.shown)
        for seen in shown
    )


def test_a_body_without_a_name_is_left_out() -> None:
    planes = [with_dust(scene(seed), 16.0, [SPOT]) for seed in range(12)]

    assert dust_in([row(f"{i}.dng", model=None) for i in range(12)], planes).spots == ()
    assert body_name(Exposure(make="Velmark")) is None
    assert body_name(Exposure(make="Velmark", model="VK-50", body_serial="7")) == "Velmark VK-50 7"


def test_missing_pictures_are_frames_less() -> None:
    planes = [with_dust(scene(seed), 16.0, [SPOT]) for seed in range(16)]
    views = [None if i % 4 == 0 else dust_view(plane) for i, plane in enumerate(planes)]

    found = find_dust([row(f"{i}.dng") for i in range(16)], range(16), lambda place: views[place])

    assert len(found.spots) == 1
    assert not found.shown[0]


def test_a_panorama_is_many_framings_and_a_bracket_one() -> None:
    def series(name: str, kind: str) -> Series:
        return Series(id=name, kind=kind, files=(), best=None, order=(), notes=())  # type: ignore[arg-type]

    assert one_framing([series("S01", "panorama"), series("S02", "repeat")]) == {"S02": "S02"}


# ---------------------------------------------------------------- kept between runs


class Memory:
    """Keeps in a dictionary."""

    def __init__(self) -> None:
        self.values: dict[tuple[str, bytes], bytes] = {}

    def found(self, name: str, inputs: bytes) -> bytes | None:
        return self.values.get((name, inputs))

    def keep(self, name: str, inputs: bytes, value: bytes) -> None:
        self.values[name, inputs] = value


def card(bodies: Sequence[str], spot: tuple[float, ...]) -> tuple[list[AuditedFrame], list[Plane]]:
    """Twelve frames of each body, by turns."""
    rows, planes = [], []
    for number, aperture_n in enumerate(apertures(12)):
        for body in bodies:
            rows.append(row(f"{body}{number}.dng", aperture_n, body))
            planes.append(with_dust(scene(number), aperture_n, [spot]))
    return rows, planes


def test_dust_of_two_bodies_is_kept_and_found_anew_after_a_change() -> None:
    rows, planes = card(["VK-50", "VK-60"], SPOT)
    views = [dust_view(plane) for plane in planes]
    digests: list[bytes | None] = [bytes([number]) for number in range(len(rows))]
    memory, asked, labels = Memory(), list[int](), range(len(rows))

    def view_of(place: int):  # type: ignore[no-untyped-def]
        asked.append(place)
        return views[place]

    anew = find_dust(rows, labels, view_of)
    assert len({spot.body for spot in anew.spots}) == 2
    assert kept_dust(rows, labels, digests, view_of, memory) == anew
    asked.clear()
    assert kept_dust(rows, labels, digests, view_of, memory) == anew
    assert asked == []

    views[0], digests[0] = dust_view(scene(99)), b"another"
    assert kept_dust(rows, labels, digests, view_of, memory) == find_dust(rows, labels, view_of)
    assert kept_dust(rows, labels, digests, view_of, memory) != anew


def test_dust_found_without_a_picture_is_not_kept() -> None:
    rows, planes = card(["VK-50"], SPOT)
    views = [dust_view(plane) for plane in planes]
    digests = [bytes([number]) for number in range(len(rows))]
    memory = Memory()

    kept_dust(rows, range(12), digests, lambda place: views[place] if place else None, memory)

    assert memory.values == {}
