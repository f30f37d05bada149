"""Values as JSON holds them."""

import math
from typing import Any

import numpy as np


def plain(value: Any) -> Any:
    """As JSON holds it: lists for arrays, null for what is not a finite number.

    Examples
    --------
    >>> plain((1.5, float("nan")))
    [1.5, None]
    """
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
