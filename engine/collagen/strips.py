"""Going through a large image in strips, so that temporaries stay small."""

from collections.abc import Iterator

LARGE_PX = 2_000_000
"""Images with more pixels than this are worked on in strips or in single precision."""
_STRIP_PX = 1_000_000


def strips(rows: int, cols: int, halo: int = 0) -> Iterator[tuple[slice, slice, slice]]:
    """Cut an image into strips of rows, each with what a filter wants to see of its neighbours.

    Parameters
    ----------
    rows, cols
        Shape of the image.
    halo
        Rows seen beyond either side of a strip.

    Yields
    ------
    tuple of slice
        Rows to read, which of the rows read belong to the strip, and where they lie in the image.

    Examples
    --------
    >>> [(a.start, a.stop, b.start, b.stop) for a, b, _ in strips(3, 1_000_000, 1)]
    [(0, 2, 0, 1), (0, 3, 1, 2), (1, 3, 1, 2)]
    """
    tall = max(1, _STRIP_PX // max(cols, 1))
    for first in range(0, rows, tall):
        last = min(first + tall, rows)
        top, bottom = max(first - halo, 0), min(last + halo, rows)
        yield slice(top, bottom), slice(first - top, last - top), slice(first, last)
