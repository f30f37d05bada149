"""What looks wrong in readable curves: cautions, never changes.

The limits are conventions of this project, with no source, except the tenth of saturated curves,
which is the contract's. They are set so that only what is plain raises a caution: each curve is
judged on its own by the engine's own flags later.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.intake.curves import RawCurves, RawSegment

MOST_CURVES = 4096
"""Most curves looked at in one map; evenly spaced ones where there are more."""
SATURATED_SHARE = 0.1
TOUCH_SIGMAS = 10.0
"""Departure from the baseline, in its own noise, from which a curve is said to touch."""
_FEWEST_SAMPLES = 16
_PLATEAU_SHARE, _PLATEAU_SAMPLES = 0.01, 6
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Look:
    """What one look at the approach curves gives, one value a curve."""

    falls: NDArray[np.bool_]
    flat: NDArray[np.bool_]
    touch: Floats
    saturated: NDArray[np.bool_]


def curve_cautions(curves: RawCurves) -> Iterator[tuple[str, str]]:
    """Yield name and sentence of each caution that a map's curves deserve.

    Parameters
    ----------
    curves
        The map.
    """
    taken = np.flatnonzero(curves.valid.ravel())
    if not len(taken):
        yield "no_curve_taken", "The map holds no curve: none of its points was taken."
        return
    if len(taken) > MOST_CURVES:
        taken = taken[np.linspace(0, len(taken) - 1, MOST_CURVES).astype(int)]
    look = _look(curves.approach, taken)
    count = len(taken)
    yield from _drive_cautions(curves, look, taken)
    if look.flat.all():
        yield "deflection_all_zero", f"The deflection never changes in any of {count} curve(s)."
        return
    saturated = int(look.saturated.sum())
    if saturated > SATURATED_SHARE * count:
        yield (
            "saturated_detector",
            f"The detector is saturated in {saturated} of {count} curves: their deflection stops "
            "at one highest value.",
        )
    judged = np.isfinite(look.touch)
    away = int((look.touch > TOUCH_SIGMAS).sum())
    towards = int((look.touch < -TOUCH_SIGMAS).sum())
    if towards > away:
        yield (
            "reversed_deflection",
            f"The deflection falls on contact in {towards} of {count} curves: its sign is reversed "
            "against the contract.",
        )
    if judged.any() and not away and not towards:
        yield "no_contact_in_map", f"None of {count} curve(s) touches the sample."


def _drive_cautions(
    curves: RawCurves, look: _Look, taken: NDArray[np.int64]
) -> Iterator[tuple[str, str]]:
    falls = int(look.falls.sum())
    if falls > len(taken) / 2:
        yield (
            "reversed_z",
            f"The drive falls on approach in {falls} of {len(taken)} curves: it should grow "
            "towards the sample.",
        )
    elif curves.retract is not None:
        rises = int((~_falls(curves.retract, taken)).sum())
        if rises > len(taken) / 2:
            yield (
                "reversed_z",
                f"The drive grows on retract in {rises} of {len(taken)} curves: it should fall.",
            )


def _look(segment: RawSegment, taken: NDArray[np.int64]) -> _Look:
    samples = segment.deflection.shape[-1]
    stored = segment.deflection.reshape(-1, samples)
    falls = _falls(segment, taken)
    flat, saturated = np.zeros(len(taken), bool), np.zeros(len(taken), bool)
    touch = np.full(len(taken), np.nan)
    lengths = segment.lengths().ravel()[taken]
    sign = np.sign(segment.deflection_scale)
    for length in np.unique(lengths):
        here = np.flatnonzero(lengths == length)
        values = stored[taken[here], :length]
        flat[here] = (values == values[:, :1]).all(axis=1)
        if length < _FEWEST_SAMPLES:
            continue
        deflection = values.astype(float) * sign
        quantum = 1.0 if values.dtype.kind in "iu" else 0.0
        touch[here] = _touch(deflection, quantum)
        back = here[falls[here]]
        if len(back):  # perhaps stored from contact outwards: the clearer reading counts
            other = _touch(deflection[falls[here], ::-1], quantum)
            touch[back] = np.where(abs(other) > abs(touch[back]), other, touch[back])
        saturated[here] = _saturated(deflection, touch[here], quantum)
    touch[flat] = np.nan
    return _Look(falls, flat, touch, saturated & ~flat)


def _falls(segment: RawSegment, taken: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether the drive falls from a curve's first sample to its last."""
    sign = np.sign(segment.z_scale)
    lengths = segment.lengths().ravel()[taken]
    last = np.maximum(lengths - 1, 0)
    if segment.shared_z:
        first, end = np.full(len(taken), segment.z[0], float), segment.z[last].astype(float)
    else:
        z = segment.z.reshape(-1, segment.z.shape[-1])
        first, end = z[taken, 0].astype(float), z[taken, last].astype(float)
    return np.asarray(((end - first) * sign < 0) & (lengths > 1))


def _touch(deflection: Floats, quantum: float) -> Floats:
    """Departure of each curve's end from its extrapolated first third, in that third's noise."""
    length = deflection.shape[1]
    head, tail = length // 3, max(length // 50, 1)
    at = np.arange(head) - (head - 1) / 2
    first = deflection[:, :head]
    middle = first.mean(axis=1, keepdims=True)
    slope = (first * at).sum(axis=1, keepdims=True) / (at**2).sum()
    off = first - middle - slope * at
    spread = np.ptp(deflection, axis=1)
    noise = np.maximum(1.4826 * np.median(abs(off), axis=1), 0.3 * quantum)
    noise = np.maximum(noise, 1e-9 * spread)
    end_at = length - 1 - tail / 2 - (head - 1) / 2
    end = np.median(deflection[:, -tail:], axis=1) - middle[:, 0] - slope[:, 0] * end_at
    # a line through a third of a curve is itself uncertain at its far end, the more for few samples
    reach = np.sqrt(1 + 1 / head + end_at**2 / (at**2).sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(spread > 0, end / (noise * reach), np.nan))


def _saturated(deflection: Floats, touch: Floats, quantum: float) -> NDArray[np.bool_]:
    """Whether a touching curve stays at its extreme value for a run of samples."""
    length = deflection.shape[1]
    run = max(int(_PLATEAU_SHARE * length), _PLATEAU_SAMPLES)
    turned = deflection * np.where(touch < 0, -1.0, 1.0)[:, None]
    highest = turned.max(axis=1)
    height = highest - np.median(turned[:, : length // 3], axis=1)
    plateau = _longest_run(turned == highest[:, None])
    clear = (abs(touch) > TOUCH_SIGMAS) & (height > 20 * quantum)
    return np.asarray(clear & (plateau >= run))


def _longest_run(held: NDArray[Any]) -> NDArray[np.int64]:
    count = np.zeros(len(held), np.int64)
    longest = np.zeros(len(held), np.int64)
    for column in held.T:
        count = np.where(column, count + 1, 0)
        longest = np.maximum(longest, count)
    return longest


def points_inside(xy_um: Floats, outline_um: Floats) -> NDArray[np.bool_]:
    """Whether points lie inside a polygon, by the even-odd rule, (n,).

    Parameters
    ----------
    xy_um
        Points, (n, 2).
    outline_um
        Corners of the polygon in order, (m, 2); it need not be closed.
    """
    x, y = xy_um[:, 0], xy_um[:, 1]
    inside = np.zeros(len(x), bool)
    for (ax, ay), (bx, by) in zip(outline_um, np.roll(outline_um, -1, axis=0), strict=True):
        if ay != by:
            crosses = (ay > y) != (by > y)
            inside ^= crosses & (x < (bx - ax) * (y - ay) / (by - ay) + ax)
    return inside
