"""Flags: names that say why a number is missing, excluded or to be read with care."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One flag.

    Attributes
    ----------
    name
        Lower-case words joined by underscores, as written in the tables.
    sentence
        One sentence for a reader: what was seen and what follows from it.
    excludes
        Whether what carries the flag is left out of summaries.
    """

    name: str
    sentence: str
    excludes: bool = False


def mask_of(flags: Sequence[Flag], names: Iterable[str]) -> int:
    """Bit mask of some flags; bit ``i`` stands for ``flags[i]``.

    Raises
    ------
    KeyError
        If a name is not among ``flags``.

    Examples
    --------
    >>> mask_of([Flag("a", "A."), Flag("b", "B.")], ["b"])
    2
    """
    bit = {flag.name: 1 << i for i, flag in enumerate(flags)}
    return sum(bit[name] for name in set(names))


def names_in(flags: Sequence[Flag], mask: int) -> str:
    """Names of the flags set in a bit mask, joined by ``;`` in the order of ``flags``.

    Examples
    --------
    >>> names_in([Flag("a", "A."), Flag("b", "B.")], 3)
    'a;b'
    """
    return ";".join(flag.name for i, flag in enumerate(flags) if mask >> i & 1)
