"""What a declared size may be at most; checked before any memory is taken.

The limits are generous against what instruments write and small against what a machine can be
brought down with. They are conventions of this project, with no source.
"""

import math
from collections.abc import Sequence

from engine.intake.report import Refused

MAX_TEXT_BYTES = 64 * 2**20
"""Largest manifest, table or XML document, bytes."""
MAX_CURVES = 2**20
"""Most curves in a map."""
MAX_CURVE_VALUES = 2**29
"""Most values in one dataset of curves."""
MAX_HEIGHT_PIXELS = 2**26
"""Most pixels of a height image."""
MAX_MOSAIC_PIXELS = 2**35
"""Most pixels of one channel of the mosaic."""
MAX_CHUNK_BYTES = 2**30
"""Largest piece of an image that has to be decoded at once, bytes."""
MAX_MOSAIC_RATIO = 2000
"""Most bytes that one stored byte of a mosaic may stand for, beyond the slack.

Dark surround compresses without bound; deflate reaches about 1030."""
MAX_RATIO = 300
"""Most bytes that one stored byte of curves or heights may stand for, beyond the slack."""
RATIO_SLACK_BYTES = 2**27
"""Declared sizes up to this are never taken for a decompression bomb, bytes."""


def check_shape(place: str, shape: Sequence[int], most: int, what: str) -> None:
    """Refuse a declared shape that is empty, negative or larger than can be.

    Raises
    ------
    Refused
        With the shape found and the limit.
    """
    text = " x ".join(str(n) for n in shape)
    if any(n < 1 for n in shape):
        raise Refused(place, f"a size of {text}", f"at least one of {what} along each direction")
    if math.prod(shape) > most:
        raise Refused(place, f"a declared size of {text}", f"at most {most} {what}")


def check_ratio(place: str, declared_bytes: int, stored_bytes: int, most: int = MAX_RATIO) -> None:
    """Refuse a declared size out of all proportion to what is stored.

    Raises
    ------
    Refused
        With both sizes.
    """
    if declared_bytes > RATIO_SLACK_BYTES and declared_bytes > most * max(stored_bytes, 1):
        raise Refused(
            place,
            f"a declared size of {declared_bytes} bytes out of {stored_bytes} stored",
            f"at most {most} times what is stored (a decompression bomb?)",
        )
