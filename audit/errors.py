"""What can go wrong, and what follows from it.

::

    AuditError
      SettingsError   the words or the limits file make no sense: stop, exit code 2
      FolderError     a folder that was named cannot be read: stop, exit code 2
      StoreError      the store cannot be used: warn, go on without it
      SidecarError    a sidecar cannot be changed safely: leave it, say so, go on, exit code 3
      CopyError       a file cannot be copied safely: leave it, say so, go on, exit code 3
      WorkerError     no worker process can be started: stop, exit code 2
      ClusterError    no cluster takes frames: stop, exit code 2; lost on the way: report what came
      OutputError     a report cannot be written; an older one is untouched: stop, exit code 2
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


class SidecarError(AuditError):
    """A sidecar that cannot be changed without a risk to what it holds; it stays as it is."""

    code = "sidecar"


class CopyError(AuditError):
    """A file that cannot be copied without a risk to another, or whose copy is not the same."""

    code = "copy"


class WorkerError(AuditError):
    """No process that reads frames can be started."""

    code = "workers"


class ClusterError(AuditError):
    """No scheduler answers, or none of its workers can take a frame."""

    code = "cluster"


class OutputError(AuditError):
    """A report cannot be written; what stood there before is untouched."""

    code = "output"


class FrameError(AuditError):
    """One frame cannot be measured.

    Attributes
    ----------
    state : str
        The row's state in every output.
    code : str
        Short, stable word, explained in ``docs/errors.md``.
    lost_share : float or None
        Part of the picture that is lost, where a damaged file could be decoded so far as to tell.
    """

    state: ClassVar[Literal["unsupported", "too-large", "damaged", "unreadable"]] = "unreadable"
    code = "unreadable"

    def __init__(
        self, message: str, *, code: str | None = None, lost_share: float | None = None
    ) -> None:
        super().__init__(message)
        self.lost_share = lost_share
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
