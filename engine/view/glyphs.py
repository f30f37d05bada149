"""Five small glyphs that look like the arrangement they stand for."""

import numpy as np
from numpy.typing import NDArray

from engine.cells.patterns import PATTERNS

_DOT = 0.13


def _dots(*places: tuple[float, float]) -> NDArray[np.float64]:
    dots = np.array([(x, y, _DOT) for x, y in places])
    dots.flags.writeable = False
    return dots


PATTERN_GLYPHS: dict[str, NDArray[np.float64]] = dict(
    zip(
        PATTERNS,
        (
            _dots((0.0, -0.75), (0.0, -0.25), (0.0, 0.25), (0.0, 0.75)),
            _dots(*((x, y) for x in (-0.22, 0.22) for y in (-0.75, -0.25, 0.25, 0.75))),
            _dots((-0.22, -0.24), (0.24, -0.2), (0.26, 0.24), (-0.2, 0.22)),
            _dots(
                (0.0, 0.0),
                *((0.44 * np.cos(a), 0.44 * np.sin(a)) for a in np.arange(6) * np.pi / 3),
                *((0.8 * np.cos(a), 0.8 * np.sin(a)) for a in (np.arange(5) + 0.2) * 2 * np.pi / 5),
            ),
            _dots((-0.72, -0.45), (0.15, -0.75), (0.7, 0.05), (-0.3, 0.25), (0.3, 0.75)),
        ),
        strict=True,
    )
)
"""Pattern to its dots (k, 3): x, y (downwards) and radius, in a box from -1 to 1.

string: a file of dots; double string: two files; small cluster: a knot; big cluster: a big knot;
diffuse: scattered dots.
"""
