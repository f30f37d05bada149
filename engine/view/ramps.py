"""Colours that stand for numbers: one perceptually uniform map per kind of quantity.

All maps are colorcet's, which are built to have an even step of lightness (Kovesi 2015, "Good
colour maps: how to design them", arXiv:1509.03700). Each is cut where it would vanish on the dark
page: its lowest colour stands out from the ground by 3.5 to 1, above the 3 to 1 that WCAG 2.2
(criterion 1.4.11) asks of what is no text.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import ceil, floor, isfinite, log10
from typing import Literal

import colorcet
import numpy as np
from numpy.typing import ArrayLike, NDArray

from engine.cells.patterns import PATTERNS
from engine.store.schema import column

QuantityKind = Literal["stiffness", "length", "force", "density", "share", "angle", "pattern"]

_MAPS: dict[QuantityKind, tuple[str, float, float]] = {
    "stiffness": ("CET_L6", 0.47, 0.99),
    "length": ("CET_L5", 0.45, 0.98),
    "force": ("CET_L4", 0.46, 0.95),
    "density": ("CET_CBL4", 0.45, 0.98),
    "share": ("CET_CBL3", 0.45, 0.96),
    "angle": ("CET_C6", 0.0, 1.0),
    "pattern": ("bmy", 0.41, 0.96),
}
_UNITS: dict[str, QuantityKind] = {
    "kPa": "stiffness",
    "nm": "length",
    "µm": "length",
    "nN": "force",
    "1/mm²": "density",
    "1/µm²": "density",
    "°": "angle",
}
_PATTERN_STEPS = {True: (0.36, 0.96), False: (0.12, 0.76)}
LOG_FROM_RATIO = 5.0
"""Positive quantities whose limits lie further apart than this are shown on a logarithmic scale."""
_LOG_KINDS = ("stiffness", "length", "force", "density")
"""Kinds whose equal steps are equal ratios; a share or a count keeps its even steps."""
FENCE = 1.5
"""Limits lie at most this many interquartile ranges beyond the quartiles (Tukey 1977)."""
FEWEST_FOR_FENCES = 5


def kind_of(table: str, name: str) -> QuantityKind:
    """Tell which kind of quantity a column of a result table is."""
    if name == "pattern_index":
        return "pattern"
    described = column(table, name)
    if described.kind == "count":
        return "density"
    return _UNITS.get(described.unit, "share")


@lru_cache
def lookup(kind: QuantityKind) -> NDArray[np.uint8]:
    """Return the map of a kind of quantity, (256, 3), low to high."""
    name, start, stop = _MAPS[kind]
    table = _resampled(name, np.linspace(start, stop, 256))
    table.flags.writeable = False
    return table


@lru_cache
def pattern_colours(dark: bool) -> NDArray[np.uint8]:
    """Return the five patterns' colours in their order, (5, 3), for a dark or a light page."""
    colours = _resampled("bmy", np.linspace(*_PATTERN_STEPS[dark], len(PATTERNS)))
    colours.flags.writeable = False
    return colours


def _resampled(name: str, at: NDArray[np.float64]) -> NDArray[np.uint8]:
    stored = np.array([_rgb(c) for c in colorcet.palette[name]], dtype=np.float64)
    place = np.arange(len(stored)) / (len(stored) - 1)
    channels = [np.interp(at, place, stored[:, c]) for c in range(3)]
    return np.rint(np.column_stack(channels)).astype(np.uint8)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


@dataclass(frozen=True)
class ColourScale:
    """How the values of one quantity become colours.

    Attributes
    ----------
    kind
        Kind of quantity; gives the map.
    low, high
        Values at the ends of the map; what lies beyond gets the end's colour.
    logarithmic
        Whether the map runs with the logarithm.
    label, unit
        What the legend says.
    """

    kind: QuantityKind
    low: float
    high: float
    logarithmic: bool
    label: str
    unit: str

    def fraction(self, values: ArrayLike) -> NDArray[np.float64]:
        """Give the place on the map, 0 to 1; NaN where there is no value."""
        numbers = np.asarray(values, dtype=np.float64)
        low, high = self.low, self.high
        if self.logarithmic:
            with np.errstate(divide="ignore", invalid="ignore"):
                numbers = np.log10(np.where(numbers > 0, numbers, np.nan))
            low, high = log10(low), log10(high)
        return np.clip((numbers - low) / (high - low), 0.0, 1.0)

    def colours(self, values: ArrayLike) -> NDArray[np.uint8]:
        """Give the colours of values, (n, 4) RGBA; alpha 0 where there is no value."""
        place = np.atleast_1d(self.fraction(values))
        known = np.isfinite(place)
        rgba = np.zeros((len(place), 4), dtype=np.uint8)
        rgba[known, :3] = lookup(self.kind)[np.rint(place[known] * 255).astype(int)]
        rgba[known, 3] = 255
        return rgba

    def ticks(self) -> list[float]:
        """Give round values to write beside the map, both ends included."""
        if self.logarithmic:
            inner = _log_ticks(self.low, self.high)
        else:
            step = _round_step((self.high - self.low) / 4)
            first, last = ceil(self.low / step - 1e-9), floor(self.high / step + 1e-9)
            inner = [k * step for k in range(first, last + 1)]
        return sorted({self.low, self.high, *inner})


def _log_ticks(low: float, high: float) -> list[float]:
    powers = [10.0**k for k in range(floor(log10(low)), ceil(log10(high)) + 1)]
    steps = (1.0, 2.0, 5.0) if high / low < 300 else (1.0,)
    every = [float(f"{power * step:.12g}") for power in powers for step in steps]
    return [tick for tick in every if low <= tick <= high]


def _round_step(step: float) -> float:
    power = 10.0 ** floor(log10(step))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= step * 0.999)


def scale_for(table: str, name: str, values: ArrayLike) -> ColourScale:
    """Choose the scale of a quantity from its values.

    The ends are the 2nd and 98th percentile, drawn in to Tukey's fences and widened to round
    numbers, so that a few odd sites do not take the colours from all others. Lengths, forces,
    stiffnesses and densities that span more than a factor of 5 are shown on a logarithmic scale.
    Directions always run from 0 to 180 degrees, the pattern index from 0 to 4.

    Parameters
    ----------
    table, name
        The quantity.
    values
        Its values; NaN where there is none.
    """
    described = column(table, name)
    kind = kind_of(table, name)
    if kind == "angle":
        return ColourScale(kind, 0.0, 180.0, False, described.label, described.unit)
    if kind == "pattern":
        return ColourScale(kind, 0.0, 4.0, False, described.label, described.unit)
    numbers = np.asarray(values, dtype=np.float64)
    numbers = numbers[np.isfinite(numbers)]
    if not len(numbers):
        return ColourScale(kind, 0.0, 1.0, False, described.label, described.unit)
    ratios = kind in _LOG_KINDS and described.kind != "count"
    if ratios and (numbers > 0).all():
        low, high = (float(10.0**v) for v in _limits(np.log10(numbers)))
        if high / low > LOG_FROM_RATIO:
            low, high = _round_log(low, False), _round_log(high, True)
            return ColourScale(kind, low, high, True, described.label, described.unit)
    low, high = _round_ends(*_limits(numbers))
    return ColourScale(kind, low, high, False, described.label, described.unit)


def _limits(numbers: NDArray[np.float64]) -> tuple[float, float]:
    low, lower, upper, high = (float(v) for v in np.percentile(numbers, [2, 25, 75, 98]))
    reach = FENCE * (upper - lower)
    if len(numbers) >= FEWEST_FOR_FENCES and reach > 0:
        return max(low, lower - reach), min(high, upper + reach)
    return low, high


def _round_ends(low: float, high: float) -> tuple[float, float]:
    if not isfinite(high - low) or high - low <= 1e-12 * max(abs(low), abs(high), 1e-300):
        half = 0.5 * abs(high) or 0.5
        return low - half, high + half
    step = _round_step((high - low) / 10)
    return floor(low / step + 1e-9) * step, ceil(high / step - 1e-9) * step


def _round_log(value: float, upwards: bool) -> float:
    power = 10.0 ** floor(log10(value))
    # finer than the ticks: a limit of 200 for values from 350 would waste a sixth of the map
    steps = np.array([1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0]) * power
    if upwards:
        return float(steps[steps >= value * 0.999][0])
    return float(steps[steps <= value * 1.001][-1])
