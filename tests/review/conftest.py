"""A review that is served over a full store, and a plain HTTP client for it."""

import hashlib
import http.client
import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from planted_examine import reading_of

from audit import run
from audit.decode.screen_picture import jpeg, webp
from audit.review.decisions import Decisions
from audit.review.serving import Review, serving
from audit.scan import scan
from audit.settings import Settings
from audit.store import Store
from audit.version import MEASURES

EDGE_WIDTHS_PX = {"sharp": 1.5, "soft": 9.0}
HOSTILE = "sharp_\"><script>alert(1)</script><img src=x onerror=alert(2)>'.jpg"
FILES = ("sharp_1.jpg", "soft_2.jpg", "sharp_3.jpg", "day 2/soft_4.jpg", HOSTILE)
PICTURE_PX = (600, 900)


def scene(seed: int) -> np.ndarray:
    """A picture with edges, the top left corner white."""
    rng = np.random.default_rng(seed)
    codes = rng.integers(40, 200, (PICTURE_PX[0] // 20, PICTURE_PX[1] // 20, 3), np.uint8)
    codes = codes.repeat(20, axis=0).repeat(20, axis=1)
    codes[:60, :80] = 255
    return codes


def make_trip(folder: Path, cache: Path, files: tuple[str, ...] = FILES) -> None:
    """Write frames, and their readings into a store, so that nothing is measured."""
    for at, file in enumerate(files):
        path = folder / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(jpeg(scene(at)))
        path.chmod(0o444)
    fill_store(folder, cache)


def fill_store(folder: Path, cache: Path) -> None:
    with Store(cache, version=MEASURES, warn=print) as store:
        for at, frame in enumerate(scan([folder]).frames):
            data = Path(os.fsdecode(frame.path)).read_bytes()
            name = frame.file.rpartition("/")[2]
            width_px = EDGE_WIDTHS_PX["soft" if name.startswith("soft") else "sharp"]
            reading = reading_of(frame.file, edge_width_px=width_px, note="planted")
            taken_at = f"2031-05-14T{6 + at // 60:02d}:{at % 60:02d}:00"
            store.put(
                frame,
                msgspec.structs.replace(
                    reading,
                    exposure=msgspec.structs.replace(reading.exposure, taken_at=taken_at),
                    facts=msgspec.structs.replace(
                        reading.facts, width_px=PICTURE_PX[1], height_px=PICTURE_PX[0]
                    ),
                    pictures={"thumbnail": webp(scene(at)[::4, ::4], 8000)},
                    content_hash=hashlib.sha256(data).hexdigest(),
                ),
            )


class Client:
    """One browser, as far as the server can tell."""

    def __init__(self, review: Review) -> None:
        self.port = int(review.gate.address.split(":")[2].split("/")[0])
        self.review = review
        self.cookie = ""
        self.token = ""

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    def raw(
        self, method: str, path: str, headers: dict[str, str | None], body: bytes | None = None
    ) -> tuple[int, dict[str, str], bytes]:
        """Ask with these headers and no others; ``None`` leaves the usual Host out."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in ({"Host": self.host} | headers).items():
            if value is not None:
                connection.putheader(name, value)
        if body is not None and "Content-Length" not in headers:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        found = answer.status, dict(answer.getheaders()), answer.read()
        connection.close()
        return found

    def enter(self) -> None:
        path = self.review.gate.address.partition(self.host)[2]
        status, headers, _ = self.raw("GET", path, {})
        assert status == 200
        self.cookie = headers["Set-Cookie"].partition(";")[0]
        page = self.get("/")[1].decode()
        match = re.search(r'name="review-token" content="([^"]+)"', page)
        assert match is not None
        self.token = match[1]

    def get(self, path: str) -> tuple[int, bytes]:
        status, _, body = self.raw("GET", path, {"Cookie": self.cookie})
        return status, body

    @property
    def posting(self) -> dict[str, str | None]:
        """Headers of an honest change."""
        return {
            "Cookie": self.cookie,
            "Origin": f"http://{self.host}",
            "Content-Type": "application/json",
            "X-Review-Token": self.token,
        }

    def post(self, path: str, body: Any) -> tuple[int, Any]:
        status, _, answer = self.raw("POST", path, self.posting, json.dumps(body).encode())
        return status, json.loads(answer) if status == 200 else answer.decode()

    def numbers(self) -> dict[str, int]:
        """Number of each frame by its name."""
        return {each.row.file: each.number for each in self.review.sitting.everything()}


@contextmanager
def reviewed(folder: Path, cache: Path, destination: Path | None = None) -> Iterator[Client]:
    """Serve a review of a folder whose frames are in the store."""
    settings = Settings(cache=cache, jobs=1)
    with (
        Decisions(cache) as decisions,
        serving([folder], settings, destination, decisions) as review,
    ):
        sitting = review.sitting
        with run.open_audit(
            [folder], settings, progress=sitting, read=sitting.read, seen=sitting.seen
        ) as audit:
            review.finished(audit.report, audit.frames)
        yield Client(review)


@pytest.fixture(name="trip")
def trip_fixture(tmp_path: Path) -> Path:
    make_trip(tmp_path / "trip", tmp_path / "cache")
    return tmp_path / "trip"


@pytest.fixture(name="own_stranger")
def own_stranger_fixture(trip: Path, tmp_path: Path) -> Iterator[Client]:
    """A client that was not let in, and may change everything."""
    with reviewed(trip, tmp_path / "cache", tmp_path / "kept") as client:
        yield client


@pytest.fixture(name="own_client")
def own_client_fixture(own_stranger: Client) -> Client:
    """A client that was let in, and may change everything."""
    own_stranger.enter()
    return own_stranger


@pytest.fixture(name="client", scope="module")
def client_fixture(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """A client that was let in, one for all tests that leave things as they are."""
    folder = tmp_path_factory.mktemp("review")
    make_trip(folder / "trip", folder / "cache")
    with reviewed(folder / "trip", folder / "cache", folder / "kept") as client:
        client.enter()
        yield client
