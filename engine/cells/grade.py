"""A pattern for each group of cells, how sure it is, and the rule that decided, in words."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.cells.features import GroupFeatures, group_features
from engine.cells.graph import NeighbourGraph, checked_positions, neighbour_graph
from engine.cells.patterns import PATTERNS
from engine.cells.rules import RULES, Decision, decide
from engine.cells.settings import CellsSettings


@dataclass(frozen=True)
class GroupGrades:
    """Patterns of groups and of their cells.

    Attributes
    ----------
    pattern
        (g,) index of each group's pattern, 0 to 4 (see `engine.cells.patterns`).
    confidence
        (g,) 0 to 1: share of disturbed repetitions that agree, lessened near a threshold.
    cells
        (g,) number of cells.
    x_um, y_um
        (g,) centroid, disc frame.
    length_um, width_um
        (g,) extent of the cells' centres along and across the principal axis.
    angle_deg
        (g,) principal axis, degrees in [0, 180), counter-clockwise from +x as the picture is seen;
        NaN for a cell alone.
    spacing_um
        (g,) the unit in which the rules measure.
    rule
        (g,) one sentence: the rule that decided, with its numbers.
    second
        (g,) index of the pattern that the disturbed repetitions gave next most often; -1 if none.
    ambiguous
        (g,) whether the confidence is too low to lean on.
    stability
        (g,) share of the disturbed repetitions that agree; one of the two parts of the confidence.
    margin
        (g,) logarithm of value over threshold at the nearest threshold; the other part.
    cell_pattern, cell_confidence
        (n,) the same for each cell; its confidence counts its own repetitions.
    """

    pattern: NDArray[np.int64]
    confidence: NDArray[np.float64]
    cells: NDArray[np.int64]
    x_um: NDArray[np.float64]
    y_um: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    spacing_um: NDArray[np.float64]
    rule: tuple[str, ...]
    second: NDArray[np.int64]
    ambiguous: NDArray[np.bool_]
    stability: NDArray[np.float64]
    margin: NDArray[np.float64]
    cell_pattern: NDArray[np.int64]
    cell_confidence: NDArray[np.float64]


def _assess(
    xy: NDArray[np.float64], graph: NeighbourGraph, s: CellsSettings
) -> tuple[GroupFeatures, Decision]:
    features = group_features(xy, graph, s.graph)
    return features, decide(features, s.rules)


def _votes(
    xy: NDArray[np.float64], s: CellsSettings, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Count, for each cell, the patterns that disturbed repetitions give it, (n, 5)."""
    votes = np.zeros((len(xy), len(PATTERNS)), dtype=np.int64)
    for _ in range(s.confidence.replicates):
        kept = np.flatnonzero(rng.random(len(xy)) >= s.confidence.dropped_share)
        moved = xy[kept] + rng.normal(0.0, s.confidence.jitter_um, (kept.size, 2))
        if not kept.size:
            continue
        graph = neighbour_graph(moved, s)
        votes[kept, _assess(moved, graph, s)[1].pattern[graph.group]] += 1
    return votes


def _share(votes: NDArray[np.int64], pattern: NDArray[np.int64]) -> NDArray[np.float64]:
    """Share of the votes that a pattern got; 1 where nobody voted."""
    total = votes.sum(axis=1)
    own = votes[np.arange(len(pattern)), pattern]
    return np.where(total > 0, own / np.maximum(total, 1), 1.0)


def _second(votes: NDArray[np.int64], pattern: NDArray[np.int64]) -> NDArray[np.int64]:
    others = votes.copy()
    others[np.arange(len(pattern)), pattern] = 0
    best = others.argmax(axis=1)
    return np.where(others.max(axis=1, initial=0) > 0, best, -1).astype(np.int64)


def _sentence(features: GroupFeatures, decision: Decision, s: CellsSettings, g: int) -> str:
    return RULES[decision.rule[g]].words(features, s.rules, g)


def grade_groups(
    xy_um: NDArray[np.float64],
    graph: NeighbourGraph,
    settings: CellsSettings | None = None,
    seed: int = 0,
) -> GroupGrades:
    """Name the arrangement of each group.

    The rules (`engine.cells.rules.RULES`) are tried in order on the group's features. The
    confidence is the share of repetitions, with cells dropped and moved a little, that give the
    cells the same pattern, times a factor below one near a threshold.

    Parameters
    ----------
    xy_um
        (n, 2) positions, um.
    graph
        Their neighbours, from the same positions.
    settings
        Settings.
    seed
        Seed of the disturbances.

    Returns
    -------
    GroupGrades
        One entry a group, and one a cell.

    Raises
    ------
    ValueError
        If positions and graph do not belong together.
    """
    xy = checked_positions(xy_um)
    if len(xy) != len(graph.group):
        raise ValueError(f"xy_um has {len(xy)} cells, graph has {len(graph.group)}")
    s = settings or CellsSettings()
    features, decision = _assess(xy, graph, s)
    votes = _votes(xy, s, np.random.default_rng(seed))
    groups = features.cells.size
    pooled = np.zeros((groups, len(PATTERNS)), dtype=np.int64)
    np.add.at(pooled, graph.group, votes)
    near, floor = decision.margin / s.confidence.full_margin, s.confidence.on_threshold
    clear = floor + (1 - floor) * np.minimum(near, 1.0)
    stability = _share(pooled, decision.pattern)
    confidence = stability * clear
    unit = np.where(np.isfinite(features.spacing_um), features.spacing_um, 0.0)
    angle = np.where(features.cells > 1, np.degrees(-features.angle_rad) % 180.0, np.nan)
    cell_pattern = decision.pattern[graph.group]
    return GroupGrades(
        pattern=decision.pattern,
        confidence=confidence,
        cells=features.cells,
        x_um=features.x_um,
        y_um=features.y_um,
        length_um=features.length * unit,
        width_um=features.width * unit,
        angle_deg=angle,
        spacing_um=features.spacing_um,
        rule=tuple(_sentence(features, decision, s, g) for g in range(groups)),
        second=_second(pooled, decision.pattern),
        ambiguous=confidence < s.confidence.ambiguous_below,
        stability=stability,
        margin=decision.margin,
        cell_pattern=cell_pattern,
        cell_confidence=_share(votes, cell_pattern) * clear[graph.group],
    )
