"""Places of all tiles at once from measured offsets: robust sparse least squares."""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array, csc_array, diags_array
from scipy.sparse.linalg import splu

from engine.flags import mask_of
from engine.stitching.flags import FLAGS
from engine.stitching.graph import bodies, main_body
from engine.stitching.results import Links, Registration
from engine.stitching.settings import StitchingSettings

_ROUNDS = 30
_LOOP_ROUNDS = 5
_MANY = 4.0
"""A link that rests on this many structures has its full weight."""
_SETTLED_PX = 1e-4
_NEAR_LIMIT = 0.9
_MAD_TO_SD = 1.4826


def solve_positions(
    position_px: ArrayLike, links: Links, settings: StitchingSettings | None = None
) -> Registration:
    """Corrections of the nominal positions that agree best with the links.

    Minimised is the weighted sum of squares of (correction_b - correction_a - excess_ab), where the
    excess is measured less nominal offset. Links are reweighted by Cauchy's function of their
    residual until nothing moves, so that a wrong one loses its say. Neighbours without a link are
    held, weakly, at the median excess of the linked ones of their direction: a stage that steps
    short does so everywhere. A still weaker hold at the nominal positions decides what is left.
    Then offsets that were not believed by themselves, but close a loop of links, are taken in.
    The mean correction is zero, which keeps the frame of the nominal positions.

    Parameters
    ----------
    position_px
        (n, 2) nominal positions (row, col).
    links
        Measured offsets.
    settings
        Weights and limits.
    """
    s = settings or StitchingSettings()
    position = np.asarray(position_px, float).reshape(-1, 2)
    for _ in range(_LOOP_ROUNDS):
        correction = _robust(position, links, s)
        more = _close_loops(position, links, correction, s)
        if more is None:
            break
        links = more
    correction = correction - correction.mean(axis=0) if len(correction) else correction
    excess = _excess(position, links)
    residual = _residual(correction, links.pairs, excess)
    consistent = links.accepted & (residual <= s.consistent_px)
    count = np.bincount(links.pairs[consistent].ravel(), minlength=len(position))
    flags = _flags(links, consistent, count.astype(np.int64), excess, s)
    return Registration(
        position, correction, links, residual, consistent, count.astype(np.int64), flags
    )


def _excess(position: NDArray[np.float64], links: Links) -> NDArray[np.float64]:
    return links.offset_px - (position[links.pairs[:, 1]] - position[links.pairs[:, 0]])


def _robust(
    position: NDArray[np.float64], links: Links, s: StitchingSettings
) -> NDArray[np.float64]:
    """Corrections by iteratively reweighted least squares."""
    excess = _excess(position, links)
    habit, habit_sd = _habit(position, links, excess, s)
    target = np.where(links.accepted[:, None], excess, habit)
    trust = links.correlation * np.minimum(1.0, links.structures / _MANY)
    base = np.where(links.accepted, trust, (s.link_sd_px / habit_sd) ** 2)
    correction, weight = np.zeros_like(position), base
    for _ in range(_ROUNDS):
        before = correction
        correction = _least_squares(len(position), links.pairs, target, weight, s)
        residual = _residual(correction, links.pairs, target)
        robust = 1.0 / (1.0 + (residual / s.cauchy_px) ** 2)
        weight = base * np.where(links.accepted, robust, 1.0)
        if np.abs(correction - before).max(initial=0.0) < _SETTLED_PX:
            break
    return correction


def _close_loops(
    position: NDArray[np.float64],
    links: Links,
    correction: NDArray[np.float64],
    s: StitchingSettings,
) -> Links | None:
    """Take in the peaks that lie where the other links predict them; None if there is none new."""
    residual = _residual(correction, links.pairs, _excess(position, links))
    consistent = links.accepted & (residual <= s.consistent_px)
    body = bodies(len(position), links.pairs[consistent])
    corrected = position + correction
    predicted = corrected[links.pairs[:, 1]] - corrected[links.pairs[:, 0]]
    off = np.linalg.norm(links.candidates_px - predicted[:, None], axis=2)
    off[~(links.candidate_correlation >= s.correlation_min)] = np.inf
    best = np.argmin(np.nan_to_num(off, nan=np.inf), axis=1)
    number = np.arange(len(links.pairs))
    new = ~consistent & (body[links.pairs[:, 0]] == body[links.pairs[:, 1]])
    new &= off[number, best] <= s.consistent_px
    if not new.any():
        return None
    chosen = np.where(new, best, 0)
    return replace(
        links,
        offset_px=np.where(new[:, None], links.candidates_px[number, chosen], links.offset_px),
        correlation=np.where(new, links.candidate_correlation[number, chosen], links.correlation),
        accepted=links.accepted | new,
    )


def _residual(
    correction: NDArray[np.float64], pairs: NDArray[np.int64], target: NDArray[np.float64]
) -> NDArray[np.float64]:
    step = correction[pairs[:, 1]] - correction[pairs[:, 0]]
    return np.linalg.norm(step - target, axis=1)


def _habit(
    position: NDArray[np.float64], links: Links, excess: NDArray[np.float64], s: StitchingSettings
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Median excess of the linked pairs of each pair's direction, and its spread."""
    # pairs of either order of numbers are turned so that they point down or to the right
    step = position[links.pairs[:, 1]] - position[links.pairs[:, 0]]
    stacked = np.abs(step[:, 0]) >= np.abs(step[:, 1])
    way = np.where(np.where(stacked, step[:, 0], step[:, 1]) < 0, -1.0, 1.0)
    habit, spread = np.zeros_like(excess), np.full(len(excess), s.stage_sd_px)
    for those in (stacked, ~stacked):
        linked = those & links.accepted
        if linked.sum() < 3:
            continue
        turned = excess[linked] * way[linked, None]
        middle = np.median(turned, axis=0)
        mad = np.median(np.abs(turned - middle)) * _MAD_TO_SD
        habit[those] = middle * way[those, None]
        spread[those] = max(s.habit_sd_min_px, float(mad))
    return habit, spread


def _least_squares(
    count: int,
    pairs: NDArray[np.int64],
    target: NDArray[np.float64],
    weight: NDArray[np.float64],
    s: StitchingSettings,
) -> NDArray[np.float64]:
    number = np.arange(len(pairs))
    ones = np.ones(len(pairs))
    shape = (len(pairs), count)
    design = csc_array(coo_array((ones, (number, pairs[:, 1])), shape)) - csc_array(
        coo_array((ones, (number, pairs[:, 0])), shape)
    )
    hold = (s.link_sd_px / s.stage_sd_px) ** 2
    normal = design.T @ (diags_array(weight) @ design) + hold * diags_array(np.ones(count))
    solved: NDArray[np.float64] = splu(csc_array(normal)).solve(
        np.asarray(design.T @ (weight[:, None] * target))
    )
    return solved


def _flags(
    links: Links,
    consistent: NDArray[np.bool_],
    link_count: NDArray[np.int64],
    excess: NDArray[np.float64],
    s: StitchingSettings,
) -> NDArray[np.uint32]:
    count = len(link_count)

    def among(those: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.bincount(links.pairs[those].ravel(), minlength=count) > 0

    paired = among(np.ones(len(links.pairs), bool))
    linked = link_count >= s.links_min
    far = np.abs(excess).max(axis=1, initial=0.0) > _NEAR_LIMIT * s.search_px
    seen = {
        "weakly_linked": paired & ~linked & (link_count > 0),
        "not_linked": paired & (link_count == 0),
        "stands_alone": ~paired if count > 1 else np.zeros(count, bool),
        "loosely_joined": linked & ~main_body(count, links.pairs[consistent]),
        "link_contradicted": among(links.accepted & ~consistent),
        "correction_at_limit": among(consistent & far),
    }
    flags = np.zeros(count, np.uint32)
    for name, where in seen.items():
        flags[where] |= np.uint32(mask_of(FLAGS, [name]))
    return flags
