"""What can go wrong, and what follows from it.

::

    AuditError
      SettingsError   the words or the limits file make no sense: stop, exit code 2
      FolderError     a folder that was named cannot be read: stop, exit code 2
      StoreError      the store cannot be used: warn, go on without it
      FrameError      one frame cannot be measured: one row says so, the run goes on, exit code 3
        UnsupportedFrame   a sound file of a kind that is not read (state "unsupported")
        TooLargeFrame      past the limit of pixels or memory    (state "too-large")
        DamagedFrame       the format is known, the content broken (state "damaged")
        UnreadableFrame    the system refuses, or nothing fits     (state "unreadable")

Every class carries a ``code``: a short, stable word that outputs and ``docs/errors.md`` use.
A message names the file, what was expected and what was found.
"""

from typing import ClassVar, Literal


class AuditError(Exception):
    """Base of all errors that this package raises on purpose."""

    code: ClassVar[str] = "error"


class SettingsError(AuditError):
    """Options, limits or a settings file that make no sense."""

    code = "settings"


class FolderError(AuditError):
    """A folder that was named cannot be scanned."""

    code = "folder"


class StoreError(AuditError):
    """The store of readings cannot be used."""

    code = "store"


class FrameError(AuditError):
    """One frame cannot be measured.

    Attributes
    ----------
    state : str
        The row's state in every output.
    code : str
        Short, stable word, explained in ``docs/errors.md``.
    """

    state: ClassVar[Literal["unsupported", "too-large", "damaged", "unreadable"]] = "unreadable"
    code = "unreadable"

    def __init__(self, message: str, *, code: str | None = None) -> None:
        super().__init__(message)
        if code is not None:
            self.code = code  # type: ignore[misc]  # an instance may be more precise than its class


class UnsupportedFrame(FrameError):
    """A sound file whose kind, layout or size is not read."""

    state = "unsupported"
    code = "unsupported"


class TooLargeFrame(FrameError):
    """A file whose pixels or memory would pass the limit."""

    state = "too-large"
    code = "too-large"


class DamagedFrame(FrameError):
    """A file of a known format whose content is broken or cut short."""

    state = "damaged"
    code = "damaged"


class UnreadableFrame(FrameError):
    """A file that the system refuses to read, or that no reader understands."""

    state = "unreadable"
    code = "unreadable"
