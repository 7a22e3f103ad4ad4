"""The folder whose files requests may name, and nothing outside of it."""

import glob
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from geoseptic.errors import ParameterError

LONGEST: Final = 400
"""Characters of a name."""

REFUSED: Final = frozenset(':\\*?"<>')
"""In the name of a file: what makes it an address, a drive, a stream or a pattern somewhere."""


class DataFolder:
    """A folder of inputs. Names in it are relative, with slashes; `|LAYER` may follow."""

    def __init__(self, root: Path) -> None:
        if not root.is_dir():
            raise ParameterError(f"--data {root} is no folder. Name the folder whose files may be asked for.")
        self.root = root.resolve()

    def path(self, name: object, what: str, *, folder: bool = False) -> str:
        """The absolute path of what `name` names, its `|LAYER` behind it; `folder` is whether that must be a folder.

        Raises ParameterError, which names the parameter `what`, for everything that is not a file or folder below the root: whatever it is
        that lies elsewhere, nothing is said of it.
        """
        if not isinstance(name, str) or not name.strip() or len(name) > LONGEST or not name.isprintable():
            raise ParameterError(f"{what} must be the name of a file in the folder of data, of 1 to {LONGEST} characters.")
        file, bar, layer = name.partition("|")
        steps = file.split("/")
        if REFUSED & set(file) or any(step in ("", ".", "..") or step != step.strip() or step.startswith(".") for step in steps):
            raise ParameterError(
                f"{what}: '{name}' is no plain name in the folder of data. Write it relative to that folder, with /, without .. and "
                "hidden names; addresses, databases and absolute paths are not taken."
            )
        path = self.root.joinpath(*steps)
        if not self._is_below(path) or not (path.is_dir() if folder else path.is_file() or path.is_dir()):
            raise ParameterError(f"{what}: the folder of data has no {'folder' if folder else 'file'} '{file}'.")
        for part in self._parts(path):
            if not self._is_below(part):
                raise ParameterError(f"{what}: '{part.relative_to(self.root).as_posix()}' in the folder of data leads out of it.")
        return f"{path}{bar}{layer}"

    def _is_below(self, path: Path) -> bool:
        """Whether it is there and stays below the root, whatever links there are on the way."""
        try:
            return path.resolve(strict=True).is_relative_to(self.root)
        except (OSError, ValueError, RuntimeError):
            return False

    @staticmethod
    def _parts(path: Path) -> Iterator[Path]:
        """All that a reader opens with it: what is in a folder, and the files beside a file that bear its name."""
        if path.is_dir():
            yield from path.rglob("*")
        else:
            yield from path.parent.glob(f"{glob.escape(path.stem)}.*")
            yield from path.parent.glob(f"{glob.escape(path.name)}.*")
