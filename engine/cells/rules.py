"""Ordered, readable rules that name a group's arrangement from its features."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from engine.cells.features import GroupFeatures
from engine.cells.patterns import BIG_CLUSTER, DIFFUSE, DOUBLE_STRING, SMALL_CLUSTER, STRING
from engine.cells.settings import RuleSettings

Margins = tuple[NDArray[np.float64], ...]


@dataclass(frozen=True)
class Rule:
    """One rule.

    Attributes
    ----------
    name
        Short name.
    pattern
        Index of the pattern it gives.
    margins
        From features and settings to one margin per condition, each (g,): logarithm of value over
        threshold, positive where the condition holds. The rule holds where all are positive.
    words
        From features, settings and a group's index to a sentence with the numbers.
    """

    name: str
    pattern: int
    margins: Callable[[GroupFeatures, RuleSettings], Margins]
    words: Callable[[GroupFeatures, RuleSettings, int], str]


@dataclass(frozen=True)
class Decision:
    """What the rules say.

    Attributes
    ----------
    rule
        (g,) index into `RULES` of the rule that decided.
    pattern
        (g,) index of the pattern.
    margin
        (g,) distance from the nearest threshold that would have changed the rule, logarithm of
        value over threshold, >= 0.
    """

    rule: NDArray[np.int64]
    pattern: NDArray[np.int64]
    margin: NDArray[np.float64]


def _above(value: NDArray[np.float64], least: float) -> NDArray[np.float64]:
    """Margin of value >= least."""
    return np.log(np.maximum(value, 1e-9) / max(least, 1e-9))


def _below(value: NDArray[np.float64], most: float) -> NDArray[np.float64]:
    """Margin of value <= most."""
    return -_above(value, most)


def _few(f: GroupFeatures, s: RuleSettings) -> Margins:
    # counts have no values between: the threshold stands half-way to the next one
    return (_below(f.cells.astype(float), s.smallest_group_cells - 0.5),)


def _scattered(f: GroupFeatures, s: RuleSettings) -> Margins:
    return (_above(f.density, s.scattered_density_min), _above(f.grain, s.scattered_grain_min))


def _field(f: GroupFeatures, s: RuleSettings) -> Margins:
    return (
        _below(f.isolation, s.field_isolation_max),
        _below(f.region_isolation, s.field_region_isolation_max),
    )


def _string(f: GroupFeatures, s: RuleSettings) -> Margins:
    return (
        _below(f.one, s.string_lateral_max),
        _above(f.elongation, s.string_elongation_min),
    )


def _two_files(f: GroupFeatures, s: RuleSettings) -> Margins:
    return (
        _above(f.cells.astype(float), s.double_cells_min - 0.5),
        _above(f.separation, s.double_separation_min),
        _below(f.separation, s.double_separation_max),
        _above(f.smaller_share, s.double_smaller_share_min),
    )


def _double(f: GroupFeatures, s: RuleSettings) -> Margins:
    return (
        *_two_files(f, s),
        _below(f.two, s.double_lateral_max),
        _above(f.length, s.double_length_min),
        _above(f.length / np.maximum(f.width, 1e-9), s.double_length_over_width_min),
    )


def _short_double(f: GroupFeatures, s: RuleSettings) -> Margins:
    return (
        *_two_files(f, s),
        _below(f.two, s.short_double_lateral_max),
        _above(f.shorter, s.short_double_file_min),
        _below(f.uneven, s.short_double_uneven_max),
    )


def _small(f: GroupFeatures, s: RuleSettings) -> Margins:
    return (_below(f.cells.astype(float), s.small_cluster_cells_max + 0.5),)


def _big(f: GroupFeatures, s: RuleSettings) -> Margins:  # noqa: ARG001
    return (np.full(f.cells.shape, np.inf),)


def _few_words(f: GroupFeatures, s: RuleSettings, g: int) -> str:
    n = int(f.cells[g])
    who = "one cell" if n == 1 else f"{n} cells"
    return f"diffuse: {who} by itself, fewer than {s.smallest_group_cells} linked cells"


def _scattered_words(f: GroupFeatures, s: RuleSettings, g: int) -> str:
    return (
        f"diffuse: {f.cells[g]} cells linked only because scattered cells are many here: "
        f"{f.density[g]:.2f} per squared spacing (from {s.scattered_density_min:g}), and the "
        f"spacing is {f.grain[g]:.1f} times that of the disc's groups "
        f"(from {s.scattered_grain_min:g})"
    )


def _field_words(f: GroupFeatures, s: RuleSettings, g: int) -> str:
    return (
        f"diffuse: {f.cells[g]} cells linked only because cells are many here: the next cells are "
        f"{f.isolation[g]:.1f} times as far as its own (up to {s.field_isolation_max:g}), and "
        f"{f.region_isolation[g]:.1f} times in the region (up to {s.field_region_isolation_max:g})"
    )


def _string_words(f: GroupFeatures, s: RuleSettings, g: int) -> str:
    return (
        f"string: its {f.cells[g]} cells lie {f.one[g]:.2f} spacings from one axis "
        f"(up to {s.string_lateral_max:g}), {f.elongation[g]:.1f} times longer than wide "
        f"(from {s.string_elongation_min:g})"
    )


def _files_words(f: GroupFeatures, s: RuleSettings, g: int, lateral_max: float) -> str:
    return (
        f"double string: its {f.cells[g]} cells lie {f.two[g]:.2f} spacings from two parallel axes "
        f"(up to {lateral_max:g}) that are {f.separation[g]:.2f} apart "
        f"({s.double_separation_min:g} to {s.double_separation_max:g}), {f.smaller_share[g]:.0%} "
        f"of them on the smaller (from {s.double_smaller_share_min:.0%})"
    )


def _double_words(f: GroupFeatures, s: RuleSettings, g: int) -> str:
    return (
        f"{_files_words(f, s, g, s.double_lateral_max)}; {f.length[g]:.1f} spacings long "
        f"(from {s.double_length_min:g}) and {f.width[g]:.1f} wide "
        f"(length from {s.double_length_over_width_min:g} times the width)"
    )


def _short_double_words(f: GroupFeatures, s: RuleSettings, g: int) -> str:
    return (
        f"{_files_words(f, s, g, s.short_double_lateral_max)}; short but even: the shorter file is "
        f"{f.shorter[g]:.1f} spacings long (from {s.short_double_file_min:g}), and steps depart by "
        f"{f.uneven[g]:.2f} from one spacing (up to {s.short_double_uneven_max:g})"
    )


def _not_files(f: GroupFeatures, s: RuleSettings, g: int) -> str:
    two = f.two[g]
    return f"{f.one[g]:.2f} spacings from one axis (a string: up to {s.string_lateral_max:g})" + (
        f", {two:.2f} from two (up to {s.double_lateral_max:g}), {f.length[g]:.1f} long and "
        f"{f.width[g]:.1f} wide"
        if np.isfinite(two)
        else ""
    )


def _small_words(f: GroupFeatures, s: RuleSettings, g: int) -> str:
    return (
        f"small cluster: {f.cells[g]} cells (up to {s.small_cluster_cells_max}) that form "
        f"neither one file nor two: {_not_files(f, s, g)}"
    )


def _big_words(f: GroupFeatures, s: RuleSettings, g: int) -> str:
    return (
        f"big cluster: {f.cells[g]} cells (more than {s.small_cluster_cells_max}) that form "
        f"neither one file nor two: {_not_files(f, s, g)}"
    )


RULES: Final = (
    Rule("few", DIFFUSE, _few, _few_words),
    Rule("scattered", DIFFUSE, _scattered, _scattered_words),
    Rule("field", DIFFUSE, _field, _field_words),
    Rule("string", STRING, _string, _string_words),
    Rule("double_string", DOUBLE_STRING, _double, _double_words),
    Rule("short_double_string", DOUBLE_STRING, _short_double, _short_double_words),
    Rule("small_cluster", SMALL_CLUSTER, _small, _small_words),
    Rule("big_cluster", BIG_CLUSTER, _big, _big_words),
)
"""Tried in this order; the first that holds decides."""


def decide(features: GroupFeatures, settings: RuleSettings) -> Decision:
    """Apply the rules to every group.

    Parameters
    ----------
    features
        Features of g groups.
    settings
        Thresholds.

    Returns
    -------
    Decision
        Rule, pattern and margin of each group.
    """
    scores = np.array([np.min(rule.margins(features, settings), axis=0) for rule in RULES])
    # a feature that does not exist (no second axis, say) can't fulfil a condition
    scores = np.where(np.isnan(scores), -np.inf, scores)
    chosen = np.argmax(scores >= 0, axis=0).astype(np.int64)
    groups = np.arange(chosen.size)
    tried = np.arange(len(RULES))[:, None]
    nearest_other = np.where(tried < chosen, -scores, np.inf).min(axis=0, initial=np.inf)
    margin = np.minimum(scores[chosen, groups], nearest_other)
    # alone or in a pair the question is whether it is part of something else: how far the next is
    alone = chosen == 0
    margin = np.where(alone, np.log(np.maximum(features.gap, 1.0)), margin)
    pattern = np.array([rule.pattern for rule in RULES], dtype=np.int64)[chosen]
    return Decision(chosen, pattern, np.maximum(margin, 0.0))
