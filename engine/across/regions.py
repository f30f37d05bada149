"""Statistics of brushed regions, on sites.

Curves of one map lie micrometres apart on one piece of tissue: they are not independent, so a
region's numbers come from one value a site, and curves are only counted.
"""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt

from engine.across.differences import Shift, hodges_lehmann
from engine.across.flags import FLAGS
from engine.across.intervals import median_with_interval
from engine.across.polygons import (
    BoolArray,
    points_in_polygon,
    points_in_polygons,
    polygon_area_mm2,
)
from engine.across.ranks import RankTest, brunner_munzel, cliffs_delta
from engine.across.region_records import (
    PairDifference,
    RegionCells,
    RegionComparison,
    RegionSummary,
    SiteTable,
)
from engine.across.settings import AcrossSettings

__all__ = [
    "PairDifference",
    "RegionCells",
    "RegionComparison",
    "RegionSummary",
    "SiteTable",
    "compare_regions",
    "count_cells",
    "points_in_polygon",
    "points_in_polygons",
]

TEXTS = {flag.name: flag.sentence for flag in FLAGS}
CURVES_SENTENCE = (
    "Curves of one map are not independent: they are counted, but every median, interval and test "
    "is formed from one value a site."
)
_DEFAULT = AcrossSettings()


def _summary(
    name: str, member: BoolArray, table: SiteTable, settings: AcrossSettings
) -> RegionSummary:
    value = np.asarray(table.value, dtype=np.float64)
    taken = member & np.isfinite(value)
    index = np.flatnonzero(taken)
    flags = []
    if index.size == 0:
        flags.append("no_sites")
    elif index.size < settings.caution_side_count:
        flags.append("few_sites")
    donors = tuple(sorted({table.donor[i] for i in index.tolist()}))
    if len(donors) > 1:
        flags.append("donors_mixed")
    median = median_with_interval(value[index], settings.level)
    return RegionSummary(
        name=name,
        sites_total=int(member.sum()),
        sites=index.size,
        curves_used=int(np.asarray(table.curves_used)[index].sum()),
        curves_total=int(np.asarray(table.curves_total)[index].sum()),
        discs=tuple(sorted({table.disc[i] for i in index.tolist()})),
        donors=donors,
        median=median,
        values=value[index],
        flags=(*flags, *median.flags),
    )


def _pair_flags(
    first: RegionSummary, second: RegionSummary, test: RankTest, shared: int, least: int
) -> list[str]:
    """Name what the pair can't carry."""
    small = min(first.sites, second.sites)
    donors = set(first.donors) | set(second.donors)
    checks = {
        "no_sites": small == 0,
        "few_sites": small < least,
        "one_donor": len(donors) == 1,
        "donors_apart": small > 0 and not set(first.donors) & set(second.donors),
        "donors_mixed": len(donors) > 1,
        "shared_sites": shared > 0,
        "fully_separated": test.method == "permutation_fully_separated",
        "all_equal": test.method == "all_equal",
    }
    return [name for name, holds in checks.items() if holds]


def _many(sites: int) -> str:
    return f"{sites} site{'' if sites == 1 else 's'}"


def _cautions(
    first: RegionSummary, second: RegionSummary, flags: Sequence[str], shared: int
) -> tuple[str, ...]:
    """Word the flags, with the numbers found where there are some."""
    numbers = {
        "few_sites": f"Of the sites, {first.name} holds {first.sites} and {second.name} "
        f"{second.sites}: too few to tell a difference.",
        "one_donor": f"All sites come from one donor ({', '.join(first.donors)}): the result "
        "describes that tissue and can't be carried over to other individuals.",
        "shared_sites": "Counted on both sides, since they lie in both regions: "
        f"{_many(shared)}. The test is not valid for them.",
    }
    return tuple(numbers.get(name, TEXTS[name]) for name in flags)


def _tested(pair: tuple[RegionSummary, RegionSummary], test: RankTest, shift: Shift) -> str:
    """One sentence: what was tested, on what, and how."""
    first, second = pair
    counts = f"{first.sites} against {second.sites} sites"
    if test.method == "none":
        return f"Not tested: {counts}; two a side are the least."
    how = {
        "t_approximation": "Brunner-Munzel test, two-sided, t approximation",
        "permutation_fully_separated": "the sides are fully separated, so the exact two-sided "
        "permutation p is given",
        "all_equal": "all values are equal",
    }[test.method]
    interval = {
        "exact": "interval from the exact rank-sum distribution",
        "asymptotic": "interval by the normal approximation",
        "none": "too few sites for an interval",
    }[shift.method]
    return (
        f"Whether sites of {first.name} tend to larger values than sites of {second.name} "
        f"({counts}; {how}); shift: median of all differences between sites, {interval}."
    )


def _holm(p_values: Sequence[float]) -> list[float]:
    """Holm's step-down adjustment; NaN stays NaN and doesn't count."""
    adjusted = [float("nan")] * len(p_values)
    order = sorted((i for i, p in enumerate(p_values) if np.isfinite(p)), key=lambda i: p_values[i])
    running = 0.0
    for step, i in enumerate(order):
        running = max(running, min(1.0, (len(order) - step) * p_values[i]))
        adjusted[i] = running
    return adjusted


def _check_members(names: Sequence[str], members: Sequence[BoolArray], n: int) -> list[BoolArray]:
    """Check that there is one mask of length n a name, or refuse clearly."""
    if len(names) != len(members):
        raise ValueError(f"{len(names)} names but {len(members)} members; one mask a region")
    if len(set(names)) != len(names):
        raise ValueError(f"names of regions must differ, got {list(names)}")
    masks = [np.asarray(member, dtype=np.bool_) for member in members]
    for name, mask in zip(names, masks, strict=True):
        if mask.shape != (n,):
            raise ValueError(f"members of {name} must have shape ({n},), got {mask.shape}")
    return masks


def compare_regions(
    names: Sequence[str],
    members: Sequence[BoolArray],
    table: SiteTable,
    *,
    quantity: str = "value",
    unit: str = "",
    settings: AcrossSettings = _DEFAULT,
) -> RegionComparison:
    """Compare regions by one quantity of their sites.

    Parameters
    ----------
    names
        One name a region.
    members
        One mask over the sites a region, shape (n,), as `points_in_polygons` gives them.
    table
        The sites.
    quantity, unit
        What ``table.value`` is, for the sentences.
    settings
        Level of the intervals and the sizes from which on cautions fall away.

    Returns
    -------
    RegionComparison
        Counts at each level, medians with intervals, and for each pair the shift, the test, the
        effect size, what was tested, and the cautions.

    Raises
    ------
    ValueError
        If names and members don't fit each other or the table.
    """
    masks = _check_members(names, members, len(table.site))
    regions = tuple(
        _summary(name, mask, table, settings) for name, mask in zip(names, masks, strict=True)
    )
    finite = np.isfinite(np.asarray(table.value, dtype=np.float64))
    drafts = []
    for i, j in combinations(range(len(regions)), 2):
        test = brunner_munzel(regions[i].values, regions[j].values)
        shared = int((masks[i] & masks[j] & finite).sum())
        drafts.append((i, j, test, shared))
    adjusted = _holm([draft[2].p for draft in drafts])
    pairs = tuple(
        _pair(regions[i], regions[j], test, shared, p_holm, settings)
        for (i, j, test, shared), p_holm in zip(drafts, adjusted, strict=True)
    )
    cautions = [CURVES_SENTENCE]
    if len(pairs) > 1:
        cautions.append(
            f"{len(pairs)} pairs are looked at: p_holm is the p value adjusted for that."
        )
    return RegionComparison(quantity, unit, regions, pairs, tuple(cautions), settings.level)


def _pair(
    first: RegionSummary,
    second: RegionSummary,
    test: RankTest,
    shared: int,
    p_holm: float,
    settings: AcrossSettings,
) -> PairDifference:
    shift = hodges_lehmann(first.values, second.values, settings.level, settings.exact_side_count)
    flags = _pair_flags(first, second, test, shared, settings.caution_side_count)
    rough = min(first.sites, second.sites) < settings.rank_test_count
    if test.method == "t_approximation" and rough:
        flags.append("approximate_p")
    return PairDifference(
        first=first.name,
        second=second.name,
        shift=shift,
        test=test,
        delta=cliffs_delta(first.values, second.values, settings.level),
        p_holm=p_holm,
        tested=_tested((first, second), test, shift),
        cautions=_cautions(first, second, flags, shared),
        flags=tuple(flags),
    )


def count_cells(
    member: BoolArray, pattern: npt.ArrayLike, polygon_um: npt.ArrayLike, patterns: int = 5
) -> RegionCells:
    """Count a region's cells by pattern.

    Parameters
    ----------
    member
        Which cells lie in the region, shape (n,).
    pattern
        Pattern index of each cell, shape (n,), whole numbers; negative for none.
    polygon_um
        The region's vertices, shape (k, 2), micrometres.
    patterns
        Number of patterns.

    Returns
    -------
    RegionCells
        Counts, density and shares.

    Raises
    ------
    ValueError
        If lengths differ, or the polygon is none.
    """
    mask = np.asarray(member, dtype=np.bool_)
    index = np.asarray(pattern, dtype=np.int64)
    if mask.shape != index.shape or mask.ndim != 1:
        raise ValueError(
            f"member and pattern must be of one length, got {mask.shape}, {index.shape}"
        )
    inside = index[mask]
    counts = np.bincount(inside[inside >= 0], minlength=patterns).astype(np.int64)
    graded = int(counts.sum())
    area = polygon_area_mm2(polygon_um)
    return RegionCells(
        cells=int(mask.sum()),
        area_mm2=area,
        density_per_mm2=float(mask.sum()) / area if area > 0 else float("nan"),
        counts=counts,
        fractions=counts / graded if graded else np.full(counts.size, np.nan),
    )
