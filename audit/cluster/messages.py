"""What travels between a run and the workers of its cluster: msgpack of plain records."""

import importlib.metadata
import platform
from functools import cache

import msgspec

from audit.records import Frame, Reading, Record, Unread
from audit.version import MEASURES, __version__
from audit.workers import Failure, WorkerLimits

LIBRARIES = (
    "exifread",
    "imageio",
    "lensfunpy",
    "numpy",
    "pillow",
    "rawpy",
    "scipy",
    "simplejpeg",
)
"""What pixels and Exif pass through on their way to a reading."""

ABSENT = "none"


class Make(Record, frozen=True, kw_only=True):
    """What decides how a reading comes out, beside the file."""

    version: str
    measures: int
    libraries: dict[str, str]
    """Version by name, of `LIBRARIES` and of Python."""

    def __str__(self) -> str:
        return f"frame-audit {self.version} with measures {self.measures}"

    def is_fit_for(self, wanted: "Make") -> bool:
        """Whether readings of this make may stand beside those of the other."""
        return (self.version, self.measures) == (wanted.version, wanted.measures)

    def other_libraries(self, wanted: "Make") -> str:
        """Libraries that differ, as words; empty if none does."""
        return ", ".join(
            f"{name} {self.libraries.get(name, ABSENT)} instead of {version}"
            for name, version in wanted.libraries.items()
            if self.libraries.get(name, ABSENT) != version
        )


class Sender(Record, frozen=True, kw_only=True):
    """The part of an order that any version can read."""

    make: Make


class Order(Sender, frozen=True, kw_only=True):
    """One frame to be measured."""

    work: bytes
    """From `audit.workers.packed`; only the supervised process unpacks it."""
    limits: WorkerLimits
    frame: Frame
    deadline_s: float


class Answer(Record, frozen=True, kw_only=True):
    """What came of an order: one of the first four is given."""

    reading: Reading | None = None
    unread: Unread | None = None
    failure: Failure | None = None
    refusal: str | None = None
    """Why no frame can be measured there, whichever it is."""
    other_libraries: str = ""

    @property
    def outcome(self) -> Reading | Unread | Failure | None:
        """Of the frame; ``None`` if it was refused."""
        return self.reading or self.unread or self.failure


@cache
def make_here() -> Make:
    """What readings are made with in this process's environment."""
    libraries = {name: _version_of(name) for name in LIBRARIES}
    libraries["python"] = ".".join(platform.python_version_tuple()[:2])
    return Make(version=__version__, measures=MEASURES, libraries=libraries)


def answer_with(outcome: Reading | Unread | Failure, other_libraries: str) -> Answer:
    """Put an outcome into its field."""
    if isinstance(outcome, Reading):
        return Answer(reading=outcome, other_libraries=other_libraries)
    if isinstance(outcome, Unread):
        return Answer(unread=outcome, other_libraries=other_libraries)
    return Answer(failure=outcome, other_libraries=other_libraries)


def encoded(message: Order | Answer) -> bytes:
    """Message as bytes."""
    return msgspec.msgpack.encode(message)


def decoded(message: bytes) -> Answer:
    """Answer from its bytes."""
    return msgspec.msgpack.decode(message, type=Answer)


def _version_of(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return ABSENT
