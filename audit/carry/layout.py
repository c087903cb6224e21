"""Where a file goes in another folder: the same place below it, so that nothing collides."""

import os
from collections.abc import Sequence
from pathlib import Path

from audit.errors import SettingsError


class Layout:
    """Places in a destination for the files of some folders.

    Parameters
    ----------
    folders : sequence of Path
        As they were named. One keeps its inner layout; several get a folder each, by their names.

    Raises
    ------
    SettingsError
        If two folders have the same name.
    """

    def __init__(self, folders: Sequence[Path]) -> None:
        self._folders = [Path(os.path.realpath(folder)) for folder in folders]
        names = [folder.name.casefold() for folder in self._folders]
        if len(set(names)) < len(names):
            shown = ", ".join(str(folder) for folder in folders)
            raise SettingsError(f"expected folders of different names, found {shown}")

    def below(self, path: Path, folder: int) -> Path:
        """Place of a file below the destination.

        Parameters
        ----------
        path : Path
            As the system knows it.
        folder : int
            Index of the folder that it lies in.
        """
        top = self._folders[folder]
        inner = path.relative_to(top)
        return inner if len(self._folders) == 1 else Path(top.name) / inner
