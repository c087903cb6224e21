"""The store gives back what was put in, survives whatever ends a run, and stops no run itself."""

import os
import random
import signal
import sqlite3
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from audit import store as store_module
from audit.errors import StoreError
from audit.records import Exposure, Frame, Reading
from audit.store import FILE_NAME, SET_ASIDE_NAME, Store

ROOT = Path(__file__).parents[1]
needs_posix = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")


def frame_at(
    path: bytes = b"/card/a.dng", *, size_bytes: int = 10, mtime_ns: int = 7, twin: str = ""
) -> Frame:
    return Frame(
        file=os.fsdecode(path).rpartition("/")[2],
        path=path,
        companion_paths=(os.fsencode(twin),) if twin else (),
        format="dng",
        size_bytes=size_bytes,
        mtime_ns=mtime_ns,
    )


@pytest.fixture(name="reading")
def reading_fixture(make_reading: object) -> Reading:
    assert callable(make_reading)
    reading = make_reading(
        pictures={"registration": b"\x89PNG small picture", "sensor": b"another"}, notes=("a note",)
    )
    assert isinstance(reading, Reading)
    return reading


@pytest.fixture(name="warnings")
def warnings_fixture() -> list[str]:
    return []


def opened(folder: Path | None, warnings: list[str], version: int = 1) -> Store:
    return Store(folder, version=version, warn=warnings.append)


@pytest.fixture(name="store")
def store_fixture(tmp_path: Path, warnings: list[str]) -> Iterator[Store]:
    with opened(tmp_path, warnings) as store:
        yield store


def rows_of(folder: Path) -> int:
    database = sqlite3.connect(folder / FILE_NAME)
    try:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return int(database.execute("SELECT count(*) FROM readings").fetchone()[0])
    finally:
        database.close()


# ---------------------------------------------------------------- what goes in comes out


def test_reading_comes_back_in_the_next_run(
    tmp_path: Path, reading: Reading, warnings: list[str]
) -> None:
    with opened(tmp_path, warnings) as store:
        store.put(frame_at(), reading)
    with opened(tmp_path, warnings) as store:
        found = store.get_many([frame_at(b"/card/other.dng"), frame_at()])
        preview = store.picture(frame_at(), "registration")

    assert found == {1: msgspec.structs.replace(reading, pictures={})}
    assert preview == reading.pictures["registration"]
    assert warnings == []


@given(
    number=st.floats(allow_nan=False) | st.none(),
    text=st.text(),
    picture=st.binary(),
    path=st.binary(min_size=1),
)
@hypothesis_settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_every_reading_survives_the_store(
    store: Store, reading: Reading, number: float | None, text: str, picture: bytes, path: bytes
) -> None:
    """Any number, text, picture and path, bytes outside UTF-8 included."""
    whole = msgspec.structs.replace(
        reading,
        exposure=Exposure(shutter_s=number, lens=text),
        notes=(text,),
        pictures={"registration": picture},
    )
    frame = Frame(file="x", path=path, format="dng", size_bytes=1, mtime_ns=1)

    store.put(frame, whole)

    assert store.get_many([frame]) == {0: msgspec.structs.replace(whole, pictures={})}
    assert store.picture(frame, "registration") == picture


def test_later_reading_of_a_frame_replaces_the_earlier(store: Store, reading: Reading) -> None:
    later = msgspec.structs.replace(reading, notes=("measured again",), pictures={})

    store.put(frame_at(), reading)
    store.put(frame_at(), later)

    assert store.get_many([frame_at()]) == {0: later}
    assert store.picture(frame_at(), "registration") == b""


@pytest.mark.parametrize(
    "other",
    [
        frame_at(b"/card/b.dng"),
        frame_at(size_bytes=11),
        frame_at(mtime_ns=8),
        frame_at(twin="/card/a.jpg"),
    ],
    ids=["path", "size", "time", "twin"],
)
def test_frame_that_differs_in_anything_is_measured_again(
    store: Store, reading: Reading, other: Frame
) -> None:
    store.put(frame_at(), reading)

    assert store.get_many([other]) == {}


def test_reading_of_other_measures_is_not_used(
    tmp_path: Path, reading: Reading, warnings: list[str]
) -> None:
    with opened(tmp_path, warnings, version=1) as store:
        store.put(frame_at(), reading)
    with opened(tmp_path, warnings, version=2) as store:
        assert store.get_many([frame_at()]) == {}
        assert store.picture(frame_at(), "registration") == b""


def test_frame_whose_twin_changed_is_measured_again(
    tmp_path: Path, store: Store, reading: Reading
) -> None:
    """The twin may be what was measured."""
    twin = tmp_path / "a.jpg"
    twin.write_bytes(b"1")
    frame = frame_at(twin=str(twin))
    store.put(frame, reading)
    kept = store.get_many([frame])

    twin.write_bytes(b"22")

    assert list(kept) == [0]
    assert store.get_many([frame]) == {}


def test_flipped_bits_in_a_reading_or_picture_are_noticed(
    tmp_path: Path, reading: Reading, warnings: list[str]
) -> None:
    with opened(tmp_path, warnings) as store:
        store.put(frame_at(), reading)
    database = sqlite3.connect(tmp_path / FILE_NAME)
    high_px = struct.pack(">d", reading.sharpness.edge_width_high_px)
    for table, column, place in (
        ("readings", "reading", high_px),
        ("pictures", "picture", b"small"),
    ):
        blob = bytearray(database.execute(f"SELECT {column} FROM {table}").fetchone()[0])
        blob[blob.index(place) + 2] ^= 1
        database.execute(f"UPDATE {table} SET {column} = ?", (bytes(blob),))
    database.commit()
    database.close()

    with opened(tmp_path, warnings) as store:
        assert store.get_many([frame_at()]) == {}
        assert store.picture(frame_at(), "registration") == b""


# ---------------------------------------------------------------- spoilt and foreign files


def test_file_that_is_no_database_is_set_aside_with_a_warning(
    tmp_path: Path, reading: Reading, warnings: list[str]
) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"no database at all " * 400)

    with opened(tmp_path, warnings) as store:
        store.put(frame_at(), reading)
        found = store.get_many([frame_at()])

    assert list(found) == [0]
    assert len(warnings) == 1
    assert SET_ASIDE_NAME in warnings[0]
    assert (tmp_path / SET_ASIDE_NAME).read_bytes().startswith(b"no database")


def test_database_of_another_program_is_set_aside_whole(
    tmp_path: Path, warnings: list[str]
) -> None:
    database = sqlite3.connect(tmp_path / FILE_NAME)
    database.execute("CREATE TABLE recipes (name)")
    database.close()

    opened(tmp_path, warnings).close()

    database = sqlite3.connect(tmp_path / SET_ASIDE_NAME)
    assert database.execute("SELECT name FROM sqlite_schema").fetchall() == [("recipes",)]
    database.close()
    assert len(warnings) == 1


def test_store_of_a_newer_program_is_left_alone(tmp_path: Path, warnings: list[str]) -> None:
    opened(tmp_path, warnings).close()
    database = sqlite3.connect(tmp_path / FILE_NAME)
    database.execute("PRAGMA user_version = 99")
    database.close()
    before = (tmp_path / FILE_NAME).read_bytes()

    with pytest.raises(StoreError, match="found 99: a newer version"):
        opened(tmp_path, warnings)

    assert (tmp_path / FILE_NAME).read_bytes() == before


def test_store_of_the_first_version_is_carried_on(
    tmp_path: Path, reading: Reading, warnings: list[str]
) -> None:
    """Its one picture a reading becomes any number; what it held is measured again."""
    opened(tmp_path, warnings).close()
    database = sqlite3.connect(tmp_path / FILE_NAME)
    database.executescript(
        "DROP TABLE pictures; DROP TABLE derived;"
        "CREATE TABLE previews (reading_id INTEGER PRIMARY KEY);"
        "PRAGMA user_version = 1"
    )
    database.close()

    with opened(tmp_path, warnings) as store:
        store.put(frame_at(), reading)
        assert store.picture(frame_at(), "sensor") == reading.pictures["sensor"]

    assert warnings == []


def test_store_of_the_second_version_keeps_its_readings(
    tmp_path: Path, reading: Reading, warnings: list[str]
) -> None:
    with opened(tmp_path, warnings) as store:
        store.put(frame_at(), reading)
    database = sqlite3.connect(tmp_path / FILE_NAME)
    database.executescript(
        "DROP TABLE derived; DROP INDEX picture_digests; PRAGMA user_version = 2"
    )
    database.close()

    with opened(tmp_path, warnings) as store:
        assert list(store.get_many([frame_at()])) == [0]
        store.put_derived(b"key", b"value")
        assert store.derived(b"key") == b"value"

    assert warnings == []


def test_what_was_derived_comes_back_in_the_next_run(tmp_path: Path, warnings: list[str]) -> None:
    with opened(tmp_path, warnings) as store:
        store.put_derived(b"key", b"first")
        store.put_derived(b"key", b"second")
    with opened(tmp_path, warnings) as store:
        assert store.derived(b"key") == b"second"
        assert store.derived(b"other") is None


def test_flipped_bits_in_what_was_derived_are_noticed(tmp_path: Path, warnings: list[str]) -> None:
    with opened(tmp_path, warnings) as store:
        store.put_derived(b"key", b"value")
    database = sqlite3.connect(tmp_path / FILE_NAME)
    database.execute("UPDATE derived SET value = ?", (b"walue",))
    database.commit()
    database.close()

    with opened(tmp_path, warnings) as store:
        assert store.derived(b"key") is None


def test_what_was_derived_goes_when_long_unused(
    tmp_path: Path, warnings: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Use counts, not age."""
    today = store_module._today()

    def on_day(days: int, *keys: bytes) -> list[bytes | None]:
        monkeypatch.setattr(store_module, "_today", lambda: today + days)
        with opened(tmp_path, warnings) as store:
            store.put_derived(b"of the day", b"")
            return [store.derived(key) for key in keys]

    with opened(tmp_path, warnings) as store:
        store.put_derived(b"used", b"1")
        store.put_derived(b"unused", b"2")
    on_day(100, b"used")
    on_day(store_module.DERIVED_DAYS + 1)

    assert on_day(store_module.DERIVED_DAYS + 1, b"used", b"unused") == [b"1", None]


def test_digests_of_pictures_follow_the_pictures(store: Store, reading: Reading) -> None:
    store.put(frame_at(), reading)
    before = store.picture_digests(frame_at())
    other = {**reading.pictures, "sensor": b"a third"}

    store.put(frame_at(), msgspec.structs.replace(reading, pictures=other))

    after = store.picture_digests(frame_at())
    assert set(before) == set(after) == {"registration", "sensor"}
    assert before["registration"] == after["registration"]
    assert before["sensor"] != after["sensor"]
    assert store.picture_digests(frame_at(b"/card/other.dng")) == {}


@pytest.mark.parametrize("seed", range(12))
def test_damage_anywhere_never_ends_a_run_nor_changes_a_reading(
    tmp_path: Path, reading: Reading, warnings: list[str], seed: int
) -> None:
    """Random bytes over a part of the file: what is found is right, what is put is kept."""
    frames = [frame_at(f"/card/{number}.dng".encode()) for number in range(60)]
    with opened(tmp_path, warnings) as store:
        for frame in frames:
            store.put(frame, reading)
    path = tmp_path / FILE_NAME
    draw = random.Random(seed)
    damaged = bytearray(path.read_bytes())
    length = draw.choice([16, 500, 5000, 50_000])
    start = draw.randrange(max(1, len(damaged) - length))
    damaged[start : start + length] = draw.randbytes(length)
    path.write_bytes(damaged[: draw.randrange(start + 1, len(damaged) + 1)])

    with opened(tmp_path, warnings) as store:
        found = store.get_many(frames)
        for frame in frames:
            store.put(frame, reading)
        again = store.get_many(frames)

    whole = msgspec.structs.replace(reading, pictures={})
    assert all(kept == whole for kept in found.values())
    assert again == dict.fromkeys(range(60), whole)


# ---------------------------------------------------------------- places that cannot be written


def test_folder_that_cannot_be_made_raises(tmp_path: Path, warnings: list[str]) -> None:
    (tmp_path / "file").write_bytes(b"")

    with pytest.raises(StoreError, match="no folder for the store"):
        opened(tmp_path / "file" / "cache", warnings)


@needs_posix
def test_read_only_folder_raises_and_nothing_is_left_in_it(
    tmp_path: Path, warnings: list[str]
) -> None:
    folder = tmp_path / "cache"
    folder.mkdir(mode=0o555)
    if os.access(folder, os.W_OK):
        folder = Path("/proc/self")  # the super-user may write anywhere else
    with pytest.raises(StoreError, match="cannot be opened"):
        opened(folder, warnings)


def test_store_without_a_folder_serves_the_run(reading: Reading, warnings: list[str]) -> None:
    with opened(None, warnings) as store:
        store.put(frame_at(), reading)

        assert list(store.get_many([frame_at()])) == [0]
        assert store.picture(frame_at(), "registration") == reading.pictures["registration"]


def test_full_disk_gives_one_warning_and_the_run_keeps_its_readings(
    tmp_path: Path, reading: Reading, warnings: list[str]
) -> None:
    """SQLite's own limit on pages stands for the disk."""
    frames = [frame_at(f"/card/{number}.dng".encode()) for number in range(50)]
    with opened(tmp_path, warnings) as store:
        store._database.execute("PRAGMA max_page_count = 20")
        for frame in frames:
            store.put(frame, reading)
        previews = {store.picture(frame, "registration") for frame in frames}

    assert previews == {reading.pictures["registration"]}
    assert len(warnings) == 1
    assert "disk is full" in warnings[0]
    assert 0 < rows_of(tmp_path) < 50


def test_network_disk_gets_no_write_ahead_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, warnings: list[str]
) -> None:
    """sqlite.org/wal.html: the log does not work over a network file system."""
    modes = []
    for is_network in (False, True):
        monkeypatch.setattr(store_module, "_is_network", lambda _, answer=is_network: answer)
        with opened(tmp_path / str(is_network), warnings) as store:
            modes.append(store._database.execute("PRAGMA journal_mode").fetchone()[0])

    assert modes == ["wal", "truncate"]


# ---------------------------------------------------------------- bounds


def test_longest_unused_readings_go_first_when_the_store_is_full(
    tmp_path: Path, reading: Reading, warnings: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    big = msgspec.structs.replace(reading, pictures={"registration": bytes(20_000)})
    frames = [frame_at(f"/card/{number}.dng".encode()) for number in range(400)]
    monkeypatch.setattr(store_module, "_today", lambda: 100)
    with opened(tmp_path, warnings) as store:
        for frame in frames:
            store.put(frame, big)
    monkeypatch.setattr(store_module, "_today", lambda: 101)
    with Store(tmp_path, version=1, warn=warnings.append, max_bytes=5_000_000) as store:
        store.get_many(frames[:50])
        store.put(frame_at(b"/card/new.dng"), big)

    with opened(tmp_path, warnings) as store:
        kept = store.get_many([*frames, frame_at(b"/card/new.dng")])
        used_bytes = store._used_bytes()

    assert set(range(50)) | {400} <= set(kept)
    assert len(kept) < 400
    assert used_bytes <= 5_000_000


def test_unused_readings_of_other_measures_go_after_a_month(
    tmp_path: Path, reading: Reading, warnings: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_module, "_today", lambda: 100)
    with opened(tmp_path, warnings, version=1) as store:
        store.put(frame_at(), reading)
    counts = []
    for day in (130, 131):
        monkeypatch.setattr(store_module, "_today", lambda day=day: day)
        with opened(tmp_path, warnings, version=2) as store:
            store.put(frame_at(), reading)
        counts.append(rows_of(tmp_path))

    assert counts == [2, 1]


# ---------------------------------------------------------------- other processes, and their end

WRITER = f"""
import sys
sys.path.insert(0, {str(ROOT)!r})
from pathlib import Path
import msgspec
from audit.records import Frame, Reading
from audit.store import Store
reading = msgspec.msgpack.decode(bytes.fromhex(sys.argv[2]), type=Reading)
with Store(Path(sys.argv[1]), version=1, warn=print) as store:
    for number in range(int(sys.argv[3]), int(sys.argv[4])):
        frame = Frame(file="x", path=b"/card/%d.dng" % number, format="dng", size_bytes=10,
                      mtime_ns=7)
        store.put(frame, reading)
        print(number, flush=True)
"""


def start_writer(folder: Path, reading: Reading, first: int, end: int) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [
            sys.executable,
            "-c",
            WRITER,
            str(folder),
            msgspec.msgpack.encode(reading).hex(),
            str(first),
            str(end),
        ],
        stdout=subprocess.PIPE,
        text=True,
    )


@needs_posix
@pytest.mark.parametrize("acknowledged", [1, 7, 60])
def test_no_acknowledged_reading_is_lost_by_a_kill(
    tmp_path: Path, reading: Reading, warnings: list[str], acknowledged: int
) -> None:
    """SIGKILL in the midst of writing."""
    with start_writer(tmp_path, reading, 0, 100_000) as writer:
        assert writer.stdout is not None
        said = [int(writer.stdout.readline()) for _ in range(acknowledged)]
        writer.send_signal(signal.SIGKILL)
        said += [int(line) for line in writer.stdout if line.endswith("\n")]

    frames = [frame_at(b"/card/%d.dng" % number) for number in said]
    with opened(tmp_path, warnings) as store:
        found = store.get_many(frames)

    assert len(said) >= acknowledged
    assert list(found) == list(range(len(said)))
    assert rows_of(tmp_path) <= len(said) + 1
    assert warnings == []


def test_store_that_another_run_is_making_is_waited_for(
    tmp_path: Path, warnings: list[str]
) -> None:
    """A writer's lock refuses the switch to the write-ahead log, past SQLite's own patience."""
    other = sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None, check_same_thread=False)
    other.execute(f"PRAGMA application_id = {store_module.APPLICATION_ID}")
    other.execute("CREATE TABLE being_made (name)")
    other.execute("BEGIN IMMEDIATE")
    release = threading.Timer(0.3, other.execute, ["COMMIT"])
    release.start()
    try:
        opened(tmp_path, warnings).close()
    finally:
        release.join()
        other.close()

    assert rows_of(tmp_path) == 0
    assert warnings == []


def test_four_runs_at_once_lose_nothing(
    tmp_path: Path, reading: Reading, warnings: list[str]
) -> None:
    """Started on no store at all; half of their frames are the same. Nobody is locked out."""
    writers = [start_writer(tmp_path, reading, 50 * n, 50 * n + 100) for n in range(4)]
    outputs = [writer.communicate()[0].split() for writer in writers]

    expected = [[str(n) for n in range(50 * k, 50 * k + 100)] for k in range(4)]
    with opened(tmp_path, warnings) as store:
        found = store.get_many([frame_at(b"/card/%d.dng" % number) for number in range(250)])

    assert outputs == expected
    assert len(found) == rows_of(tmp_path) == 250
    assert warnings == []


# ---------------------------------------------------------------- hashes of what was measured


def test_hashes_below_a_folder_are_the_last_ones_of_any_version(
    tmp_path: Path, reading: Reading, warnings: list[str]
) -> None:
    """A path is found whatever the file's size and time are now: that is what may have changed."""

    def hashed(digest: str | None) -> Reading:
        return msgspec.structs.replace(reading, file="a.dng", content_hash=digest)

    with opened(tmp_path, warnings, version=1) as store:
        store.put(frame_at(b"/card/a.dng", mtime_ns=1), hashed("old"))
        store.put(frame_at(b"/card/sub/b.dng"), hashed("b"))
        store.put(frame_at(b"/card2/c.dng"), hashed("c"))
        store.put(frame_at(b"/card-x/d.dng"), hashed("d"))
        store.put(frame_at(b"/card/none.dng"), hashed(None))
    with opened(tmp_path, warnings, version=2) as store:
        store.put(frame_at(b"/card/a.dng", mtime_ns=2), hashed("new"))
        assert store.hashes_below(b"/card") == {
            b"/card/a.dng": ("a.dng", "new"),
            b"/card/sub/b.dng": ("a.dng", "b"),
        }
        assert store.hashes_below(b"/card/") == store.hashes_below(b"/card")
        assert len(store.hashes_below(b"/")) == 4
    assert warnings == []
