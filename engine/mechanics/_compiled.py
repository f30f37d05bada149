"""How the kernels of this room are compiled."""

import hashlib
from pathlib import Path

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FAST = {"reassoc", "contract", "arcp", "nsz"}
"""Floating-point licence of the inner loops: sums may be reordered, NaN keeps its meaning."""

plain = njit(error_model="numpy")
"""Decorator of inner functions. They are not cached: the entries that hold them are."""

fast = njit(fastmath=FAST, error_model="numpy")
"""Decorator of inner functions whose loops should run in vector registers."""

fastest = njit(fastmath=FAST | {"nnan"}, error_model="numpy")
"""As `fast`, for functions that are only ever given finite numbers (extremes in registers)."""


def source_stamp() -> int:
    """Make a number that changes with any kernel source of this room.

    A cached entry is renewed only when its own file changes, not when a file it calls into does.
    Entries close over this number, which makes it part of their key in the cache.
    """
    text = b"".join(path.read_bytes() for path in sorted(Path(__file__).parent.glob("_*.py")))
    return int.from_bytes(hashlib.sha256(text).digest()[:6], "big")
