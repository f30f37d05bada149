"""The five arrangements of cartilage cells, in the order in which degeneration passes them."""

from typing import Final

PATTERNS: Final = ("string", "double_string", "small_cluster", "big_cluster", "diffuse")
"""Names as the tables write them; the position of a name is its index, 0 to 4."""

STRING, DOUBLE_STRING, SMALL_CLUSTER, BIG_CLUSTER, DIFFUSE = range(5)

NO_PATTERN: Final = -1
"""Stands where no pattern can be told."""


def pattern_name(index: int) -> str:
    """Name of a pattern by its index; empty for ``NO_PATTERN``.

    Examples
    --------
    >>> pattern_name(1)
    'double_string'
    >>> pattern_name(-1)
    ''
    """
    return "" if index < 0 else PATTERNS[index]
