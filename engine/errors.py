"""What the engine says when something handed to it is wrong."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Defect:
    """One thing wrong with one input.

    Attributes
    ----------
    file
        Path of the file, relative to the disc folder or store.
    place
        Row, column, key or dataset within the file; empty where the whole file is meant.
    found
        What stands there.
    expected
        What should stand there.
    """

    file: str
    place: str
    found: str
    expected: str

    def __str__(self) -> str:
        where = f"{self.file} [{self.place}]" if self.place else self.file
        return f"{where}: found {self.found}; expected {self.expected}"


@dataclass(frozen=True, order=True)
class Caution:
    """A warning that is kept beside the data and shown wherever the data are shown.

    Attributes
    ----------
    site
        The site it concerns; empty where it concerns the whole disc.
    name
        A short name in lower-case words joined by underscores.
    sentence
        One sentence for a reader, with the numbers found.
    """

    site: str
    name: str
    sentence: str


class SplendensError(Exception):
    """A problem that a user can mend; its text is one clear line."""


class Cancelled(SplendensError):
    """Work was stopped from outside; nothing half-done is kept."""


class FolderError(SplendensError):
    """A disc folder with defects.

    Attributes
    ----------
    defects
        Every defect found, sorted by file and place.
    """

    def __init__(self, defects: Sequence[Defect]) -> None:
        self.defects = tuple(sorted(set(defects)))
        super().__init__(
            f"{len(self.defects)} defect(s):\n" + "\n".join(f"  {d}" for d in self.defects)
        )
