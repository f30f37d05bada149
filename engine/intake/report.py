"""Where defects and cautions are gathered while a folder is read, so that none hides another."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from engine.errors import Caution, Defect


class Refused(Exception):
    """A file, or a part of it, that can't be read on; the folder turns it into a defect.

    Attributes
    ----------
    place, found, expected
        As in :class:`engine.errors.Defect`.
    """

    def __init__(self, place: str, found: str, expected: str) -> None:
        self.place, self.found, self.expected = place, found, expected
        super().__init__(f"{place}: found {found}; expected {expected}")


@dataclass
class Report:
    """Gathers what is wrong with one file.

    Attributes
    ----------
    file
        Path relative to the disc folder.
    site
        Site that the file belongs to; empty for the disc's own files.
    defects, cautions
        Lists shared with the folder; appended to.
    raised
        Names of the cautions that this report raised, told before or not.
    """

    file: str
    site: str = ""
    defects: list[Defect] = field(default_factory=list)
    cautions: list[Caution] = field(default_factory=list)
    raised: list[str] = field(default_factory=list)

    def defect(self, place: str, found: str, expected: str) -> None:
        """Add one defect of this file."""
        defect = Defect(self.file, place, found, expected)
        if defect not in self.defects:
            self.defects.append(defect)

    def tells(self, place: str) -> bool:
        """Whether a defect at this place of this file is told already."""
        return any(d.file == self.file and d.place == place for d in self.defects)

    def caution(self, name: str, sentence: str) -> None:
        """Add one caution to this file's site, or to the disc."""
        self.raised.append(name)
        caution = Caution(self.site, name, sentence)
        if caution not in self.cautions:
            self.cautions.append(caution)

    def beside(self, file: str, site: str = "") -> "Report":
        """Make a report on another file that shares the lists of this one."""
        return Report(file, site, self.defects, self.cautions)

    @contextmanager
    def reading(self, place: str = "", expected: str = "a whole, readable file") -> Iterator[None]:
        """Turn whatever goes wrong inside the block into defects."""
        try:
            yield
        except Refused as stop:
            self.defect(stop.place, stop.found, stop.expected)
        except Exception as error:  # noqa: BLE001 - decoders raise anything on corrupt bytes
            told = str(error).strip().splitlines()
            reason = f"{type(error).__name__}: {told[0]}" if told else type(error).__name__
            self.defect(place, f"it cannot be read ({shortened(reason)})", expected)


def shown(value: object) -> str:
    """Text of a value for a message: strings quoted, line ends and length tamed.

    Examples
    --------
    >>> shown("bead")
    "'bead'"
    >>> shown(2.5)
    '2.5'
    """
    return shortened(repr(value) if isinstance(value, str) else str(value))


def shortened(text: str, limit: int = 100) -> str:
    """One line of text of at most ``limit`` characters.

    Examples
    --------
    >>> shortened("much too long", 8)
    'much ...'
    """
    text = " ".join(text.split())
    return text if len(text) <= limit else text[: limit - 3] + "..."
