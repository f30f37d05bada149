"""Thick fibrils that divide into two thinner ones: a count held against chance."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import spatial, stats

from engine.collagen.profiles import CapFits
from engine.collagen.settings import CollagenSettings
from engine.collagen.traces import Traces

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_NEAR_NM = 350.0  # of each piece next to the division tell its thickness
_LEAST_NM = 40.0  # of them must have been measured
_DIRECTION_NM = 120.0
_SHORTEST_NM = 100.0
_REACH = 3.0  # trunk diameters: branches hang together until they are a diameter apart
_REACH_NM = 40.0
_BEHIND = 0.3  # trunk diameters
_SIDE = 1.3
_APART = 0.4  # of the branches' mean diameter
_OPEN_DEG = (9.0, 60.0)
_DRAWS = 20_000
# Share of the triplets of fitting geometry whose thickness is that of random fibrils: without a
# division, most are one fibril that goes on and another that lies across. Measured on invented
# networks in which nothing divides (7 found in 28 where random triplets would give 21).
_UNRELATED = 0.33
_LEVEL = 0.95


@dataclass(frozen=True)
class Dividing:
    """Fibrils that divide in two; shape (found,) each unless said otherwise.

    Attributes
    ----------
    candidates
        Places where one traced piece ends and two go on ahead of it, opening like a fork, all
        three of known thickness.
    count
        Of these, where both branches are thinner than the trunk and the area of the section is
        kept.
    expected_by_chance
        Such places to be expected without any division.
    excess, excess_ci_low, excess_ci_high
        Count less chance, not below zero, with its exact Poisson interval. About a third of the
        divisions that lie open are found (own simulation), so that it is a lower bound.
    chance_p
        Chance of at least this count without any division.
    u_nm, v_nm
        End of the trunk, from the image's centre.
    trunk_nm, branch_nm
        Thickness of the trunk and of both branches, the latter of shape (found, 2).
    trunk, branch
        Their pieces, the latter of shape (found, 2).
    area_ratio
        Area of both branches over that of the trunk.
    """

    candidates: int = 0
    count: int = 0
    expected_by_chance: float = 0.0
    excess: float = 0.0
    excess_ci_low: float = 0.0
    excess_ci_high: float = float("nan")
    chance_p: float = float("nan")
    u_nm: Array = field(default_factory=lambda: np.zeros(0))
    v_nm: Array = field(default_factory=lambda: np.zeros(0))
    trunk_nm: Array = field(default_factory=lambda: np.zeros(0))
    branch_nm: Array = field(default_factory=lambda: np.zeros((0, 2)))
    trunk: Index = field(default_factory=lambda: np.zeros(0, np.int64))
    branch: Index = field(default_factory=lambda: np.zeros((0, 2), np.int64))
    area_ratio: Array = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True)
class _Ends:
    """Both ends of the pieces that have a thickness there; directions point out of the piece."""

    piece: Index
    u_nm: Array
    v_nm: Array
    out_u: Array
    out_v: Array
    thickness_nm: Array


def _end(traces: Traces, thickness: Array, piece: int, last: bool) -> tuple[float, ...] | None:
    part = slice(traces.start[piece], traces.start[piece + 1])
    arc = traces.arc_nm[part]
    away = arc[-1] - arc if last else arc
    near = (away <= _NEAR_NM) & np.isfinite(thickness[part])
    if traces.step_nm[part][near].sum() < _LEAST_NM:
        return None
    weight = traces.step_nm[part] * (away <= _DIRECTION_NM) * (1.0 if last else -1.0)
    out_u = float(weight @ traces.tangent_u[part])
    out_v = float(weight @ traces.tangent_v[part])
    norm = max(float(np.hypot(out_u, out_v)), 1e-9)
    at = int(traces.start[piece + 1]) - 1 if last else int(traces.start[piece])
    middle = float(np.median(thickness[part][near]))
    return piece, traces.u_px[at], traces.v_px[at], out_u / norm, out_v / norm, middle


def _ends(traces: Traces, caps: CapFits, pixel_nm: tuple[float, float]) -> _Ends:
    long = np.flatnonzero(traces.length_nm >= _SHORTEST_NM)
    found = [
        _end(traces, caps.thickness_nm, int(piece), last)
        for piece in long
        for last in (False, True)
    ]
    table = np.array([row for row in found if row is not None], dtype=np.float64).reshape(-1, 6).T
    return _Ends(
        table[0].astype(np.int64),
        table[1] * pixel_nm[0],
        table[2] * pixel_nm[1],
        table[3],
        table[4],
        table[5],
    )


def _ahead(ends: _Ends, trunk: int, near: Index, turn_deg: float) -> tuple[Index, Array, Array]:
    """Find ends that go on ahead of a trunk: which, how far aside, their heading in degrees."""
    tu, tv = ends.out_u[trunk], ends.out_v[trunk]
    du, dv = ends.u_nm[near] - ends.u_nm[trunk], ends.v_nm[near] - ends.v_nm[trunk]
    side = dv * tu - du * tv
    bu, bv = -ends.out_u[near], -ends.out_v[near]  # the way a branch leads on
    heading = np.degrees(np.arctan2(bv * tu - bu * tv, bu * tu + bv * tv))
    wide = ends.thickness_nm[trunk]
    keep = (
        (ends.piece[near] != ends.piece[trunk])
        & (du * tu + dv * tv > -_BEHIND * wide)
        & (np.abs(side) < _SIDE * wide)
        & (np.abs(heading) < turn_deg)
    )
    return near[keep], side[keep], heading[keep]


def _fork(
    ends: _Ends, trunk: int, near: Index, settings: CollagenSettings
) -> tuple[int, int, int] | None:
    """Find the nearest two ends ahead of a trunk that open like a fork."""
    some, side, heading = _ahead(ends, trunk, near, settings.divide_turn_deg)
    if len(some) < 2:
        return None
    away = np.hypot(ends.u_nm[some] - ends.u_nm[trunk], ends.v_nm[some] - ends.v_nm[trunk])
    i, j = np.nonzero(side[:, None] > side[None, :])
    opening = heading[i] - heading[j]
    thick = ends.thickness_nm[some]
    fits = (
        (opening >= _OPEN_DEG[0])
        & (opening <= _OPEN_DEG[1])
        & (side[i] - side[j] >= _APART * 0.5 * (thick[i] + thick[j]))
        & (ends.piece[some[i]] != ends.piece[some[j]])
    )
    if not fits.any():
        return None
    k = np.flatnonzero(fits)[int(np.argmin((away[i] + away[j])[fits]))]
    return trunk, int(some[i[k]]), int(some[j[k]])


def _forks(ends: _Ends, settings: CollagenSettings) -> Index:
    if len(ends.piece) < 3:
        return np.zeros((0, 3), np.int64)
    place = np.column_stack([ends.u_nm, ends.v_nm])
    reach = _REACH * ends.thickness_nm + _REACH_NM
    near = spatial.cKDTree(place).query_ball_point(place, reach)
    found = [
        _fork(ends, k, np.sort(np.array(some, dtype=np.int64)), settings)
        for k, some in enumerate(near)
    ]
    return np.array([fork for fork in found if fork], dtype=np.int64).reshape(-1, 3)


def _area_ratio(trunk: Array, one: Array, two: Array) -> Array:
    return np.asarray((one**2 + two**2) / trunk**2)


def _divided(settings: CollagenSettings, trunk: Array, one: Array, two: Array) -> NDArray[np.bool_]:
    """Tell where both branches are thinner than the trunk and the area of the section is kept."""
    ratio = _area_ratio(trunk, one, two)
    widest = settings.divide_area_ratio
    thinner = np.maximum(one, two) < settings.divide_thinner * trunk
    return np.asarray((ratio > 1.0 / widest) & (ratio < widest) & thinner)


def _once(forks: Index, thickness: Array) -> Index:
    """Keep of forks that share an end the one that keeps the area best."""
    wrong = np.abs(np.log(_area_ratio(*thickness[forks].T)))
    taken: set[int] = set()
    kept = []
    for k in np.argsort(wrong, kind="stable"):
        if taken.isdisjoint(forks[k].tolist()):
            taken.update(forks[k].tolist())
            kept.append(k)
    return forks[np.sort(np.array(kept, dtype=np.int64))]


def find_dividing(
    traces: Traces,
    caps: CapFits,
    shape: tuple[int, ...],
    pixel_nm: tuple[float, float],
    settings: CollagenSettings,
    seed: int,
) -> Dividing:
    """Look for fibrils that end where two thinner ones go on and keep their area.

    Two branches of a fork hang together until they are about a diameter apart, so that the trunk
    seems to end before they begin: what is looked for are three ends near each other, not a
    junction of the skeleton.

    Parameters
    ----------
    traces
        Paths.
    caps
        Circle fits at their points.
    shape
        Rows and columns of the image.
    pixel_nm
        Spacing along u and v.
    settings
        The ``divide_*`` fields.
    seed
        Of the random triplets that chance is taken from.

    Returns
    -------
    Dividing
        A count, and what chance would give; single places are not certain.
    """
    ends = _ends(traces, caps, pixel_nm)
    forks = _forks(ends, settings)
    if not len(forks):
        return Dividing(excess_ci_high=_interval(0, 0.0)[1], chance_p=1.0)
    rng = np.random.default_rng(seed)
    triplets = ends.thickness_nm[rng.integers(0, len(ends.piece), (3, _DRAWS))]
    random = float(_divided(settings, *triplets).mean())
    candidates = len(_once(forks, ends.thickness_nm))
    kept = forks[_divided(settings, *ends.thickness_nm[forks].T)]
    kept = _once(kept, ends.thickness_nm) if len(kept) else kept
    chance = _UNRELATED * random * candidates
    low, high = _interval(len(kept), chance)
    thick = ends.thickness_nm[kept]
    at = kept[:, 0]
    return Dividing(
        candidates=candidates,
        count=len(kept),
        expected_by_chance=chance,
        excess=max(len(kept) - chance, 0.0),
        excess_ci_low=low,
        excess_ci_high=high,
        chance_p=float(stats.poisson.sf(len(kept) - 1, chance)) if len(kept) else 1.0,
        u_nm=ends.u_nm[at] + (0.5 - 0.5 * shape[1]) * pixel_nm[0],
        v_nm=ends.v_nm[at] + (0.5 - 0.5 * shape[0]) * pixel_nm[1],
        trunk_nm=thick[:, 0],
        branch_nm=thick[:, 1:],
        trunk=ends.piece[at],
        branch=ends.piece[kept[:, 1:]],
        area_ratio=_area_ratio(*thick.T),
    )


def _interval(count: int, chance: float) -> tuple[float, float]:
    """Exact Poisson interval of a count, chance taken off, not below zero."""
    tail = 0.5 * (1.0 - _LEVEL)
    low = 0.5 * float(stats.chi2.ppf(tail, 2 * count)) if count else 0.0
    high = 0.5 * float(stats.chi2.isf(tail, 2 * count + 2))
    return max(low - chance, 0.0), max(high - chance, 0.0)
