"""Thick fibrils that go on thinner beyond a junction: a count with its uncertainty."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import spatial, stats

from engine.collagen.network import PieceThickness
from engine.collagen.settings import CollagenSettings
from engine.collagen.traces import Traces

Array = NDArray[np.float64]

_REACH_NM = 40.0  # beyond the radius kept free of junctions, and the blur of their place
_AHEAD_DEG = 30.0
# Share of straight pairs that are two fibrils, not one: measured on invented networks, in which
# nothing splits, as steps found over the steps that random pairs would show (0.15 to 0.25).
_MISPAIRED = 0.2
_PAIRED_AT_MOST = 400
_TEST_LEVEL = 0.02
_LEVEL = 0.95


@dataclass(frozen=True)
class Splitting:
    """Thickness followed across junctions.

    Attributes
    ----------
    followed
        Junctions across which a fibril of known thickness goes straight on into one of known
        thickness.
    steps
        Of these, how many step down by more than their errors and the least step.
    expected_by_chance
        Steps to be expected among those followed without any split: two fibrils that happen to
        face each other across a junction, of the thicknesses this image has.
    share, share_ci_low, share_ci_high
        Share of the junctions followed that are splits, chance taken off, with its exact binomial
        interval; NaN without junctions followed.
    junction
        Index of the junctions with a step, shape (steps,).
    ratio
        Thinner over thicker at each, shape (steps,).
    """

    followed: int = 0
    steps: int = 0
    expected_by_chance: float = 0.0
    share: float = float("nan")
    share_ci_low: float = float("nan")
    share_ci_high: float = float("nan")
    junction: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    ratio: Array = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True)
class _Ends:
    """Both ends of every piece that has a thickness, directions pointing out of the piece."""

    piece: NDArray[np.int64]
    u_nm: Array
    v_nm: Array
    out_u: Array
    out_v: Array


def _ends(traces: Traces, piece: PieceThickness, pixel_nm: tuple[float, float]) -> _Ends:
    known = np.flatnonzero(np.isfinite(piece.thickness_nm))
    first, last = traces.start[known], traces.start[known + 1] - 1
    at = np.concatenate([first, last])
    way = np.concatenate([-np.ones(len(known)), np.ones(len(known))])
    return _Ends(
        piece=np.concatenate([known, known]),
        u_nm=traces.u_px[at] * pixel_nm[0],
        v_nm=traces.v_px[at] * pixel_nm[1],
        out_u=way * traces.tangent_u[at],
        out_v=way * traces.tangent_v[at],
    )


def find_splits(
    traces: Traces,
    piece: PieceThickness,
    pixel_nm: tuple[float, float],
    settings: CollagenSettings,
) -> Splitting:
    """Follow fibrils straight across junctions and compare their thickness on both sides.

    Parameters
    ----------
    traces
        Paths and junctions.
    piece
        Thickness of the pieces.
    pixel_nm
        Spacing along u and v.
    settings
        ``junction_radius_nm``, ``split_ratio``.

    Returns
    -------
    Splitting
        A step is a split, or a fibril that ends under another just where a thinner one goes on:
        both look alike from above, so only an excess over chance says anything.
    """
    ends = _ends(traces, piece, pixel_nm)
    if not len(traces.junction_u_px) or len(ends.piece) < 2:
        return Splitting()
    tree = spatial.cKDTree(np.column_stack([ends.u_nm, ends.v_nm]))
    centre = np.column_stack(
        [traces.junction_u_px * pixel_nm[0], traces.junction_v_px * pixel_nm[1]]
    )
    near = tree.query_ball_point(centre, settings.junction_radius_nm + _REACH_NM)
    at, pairs = [], []
    for k in range(len(centre)):
        pair = _straight_pair(ends, np.sort(np.array(near[k], dtype=np.int64)))
        if pair is not None:
            at.append(k)
            pairs.append(pair)
    return _counted(
        np.array(at, dtype=np.int64), np.array(pairs, np.int64).reshape(-1, 2), piece, settings
    )


def _straight_pair(ends: _Ends, some: NDArray[np.int64]) -> tuple[int, int] | None:
    """Pieces of the two ends that face each other most nearly."""
    if len(some) < 2:
        return None
    u, v = ends.out_u[some], ends.out_v[some]
    facing = np.outer(u, u) + np.outer(v, v)
    facing[ends.piece[some][:, None] == ends.piece[some][None, :]] = 1.0
    i, j = np.unravel_index(int(np.argmin(facing)), facing.shape)
    if facing[i, j] > -np.cos(np.radians(_AHEAD_DEG)):
        return None
    return int(ends.piece[some[i]]), int(ends.piece[some[j]])


def _stepped(
    one: Array, two: Array, one_se: Array, two_se: Array, settings: CollagenSettings
) -> NDArray[np.bool_]:
    """Whether two thicknesses differ by more than their errors and the least step."""
    thicker = np.maximum(one, two)
    # Fits that share a method agree no better than this, however small their scatter.
    error = np.sqrt(one_se**2 + two_se**2 + (0.03 * thicker) ** 2)
    needed = float(stats.norm.isf(_TEST_LEVEL / 2.0))
    return np.asarray(
        (np.abs(one - two) > needed * error)
        & (np.minimum(one, two) < settings.split_ratio * thicker)
    )


def _share_of_random_pairs(piece: PieceThickness, settings: CollagenSettings) -> float:
    known = np.flatnonzero(np.isfinite(piece.thickness_nm))
    known = known[:: max(1, len(known) // _PAIRED_AT_MOST)]
    value, error = piece.thickness_nm[known], piece.se_nm[known]
    i, j = np.triu_indices(len(value), 1)
    if not len(i):
        return 0.0
    return float(_stepped(value[i], value[j], error[i], error[j], settings).mean())


def _counted(
    junction: NDArray[np.int64],
    pairs: NDArray[np.int64],
    piece: PieceThickness,
    settings: CollagenSettings,
) -> Splitting:
    followed = len(junction)
    if not followed:
        return Splitting()
    i, j = pairs[:, 0], pairs[:, 1]
    one, two = piece.thickness_nm[i], piece.thickness_nm[j]
    step = _stepped(one, two, piece.se_nm[i], piece.se_nm[j], settings)
    count = int(step.sum())
    chance = _MISPAIRED * _share_of_random_pairs(piece, settings)
    tail = 0.5 * (1.0 - _LEVEL)
    low = float(stats.beta.ppf(tail, count, followed - count + 1)) if count else 0.0
    high = float(stats.beta.isf(tail, count + 1, followed - count)) if count < followed else 1.0
    return Splitting(
        followed=followed,
        steps=count,
        expected_by_chance=chance * followed,
        share=max(count / followed - chance, 0.0),
        share_ci_low=max(low - chance, 0.0),
        share_ci_high=high,
        junction=junction[step],
        ratio=(np.minimum(one, two) / np.maximum(one, two))[step],
    )
