"""What a column of a result table is."""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "number", "count", "truth"]


@dataclass(frozen=True)
class Column:
    """One column of a result table.

    Attributes
    ----------
    name
        As written in the file; carries the unit.
    kind
        ``text``; ``number`` (float, NaN = could not be had); ``count`` (whole number, -1 = could
        not be had); ``truth`` (yes or no, -1 = could not be had).
    label
        A few words for an axis or legend, without the unit.
    unit
        Unit as shown to people; empty for pure numbers.
    offered
        Whether it is offered to colour and to compare by; one that is not stays in the table.
    """

    name: str
    kind: Kind
    label: str
    unit: str = ""
    offered: bool = True
