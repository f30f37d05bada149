"""What region statistics take and give back."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from engine.across.differences import Shift
from engine.across.intervals import FloatArray, MedianInterval
from engine.across.ranks import Dominance, RankTest


@dataclass(frozen=True)
class SiteTable:
    """The sites among which regions are brushed, as plain arrays of one length n.

    Attributes
    ----------
    site, disc, donor
        Identifiers, shape (n,), text.
    value
        The quantity to compare, one a site, shape (n,), NaN where there is none.
    curves_used, curves_total
        Counts, shape (n,).
    """

    site: Sequence[str]
    disc: Sequence[str]
    donor: Sequence[str]
    value: FloatArray
    curves_used: npt.NDArray[np.int64]
    curves_total: npt.NDArray[np.int64]

    def __post_init__(self) -> None:
        lengths = {
            "site": len(self.site),
            "disc": len(self.disc),
            "donor": len(self.donor),
            "value": len(self.value),
            "curves_used": len(self.curves_used),
            "curves_total": len(self.curves_total),
        }
        if len(set(lengths.values())) > 1:
            raise ValueError(f"columns of SiteTable must be of one length, got {lengths}")


@dataclass(frozen=True)
class RegionSummary:
    """One region: what it holds at each level, and its median.

    Attributes
    ----------
    name
        The region's name.
    sites_total
        Sites within it.
    sites
        Those of them that have the quantity; every statistic is formed from these.
    curves_used, curves_total
        Curves of those sites: used by quality control, and taken.
    discs, donors
        Their identifiers, sorted.
    median
        Median over sites with interval.
    values
        The sites' values, shape (sites,), in the quantity's unit, to draw.
    flags
        Names from ``engine.across.flags``.
    """

    name: str
    sites_total: int
    sites: int
    curves_used: int
    curves_total: int
    discs: tuple[str, ...]
    donors: tuple[str, ...]
    median: MedianInterval
    values: FloatArray
    flags: tuple[str, ...]


@dataclass(frozen=True)
class PairDifference:
    """Two regions against each other, the first minus the second.

    Attributes
    ----------
    first, second
        Names of the regions.
    shift
        Hodges-Lehmann shift, in the quantity's unit.
    test
        Brunner-Munzel test.
    delta
        Cliff's delta.
    p_holm
        The test's p adjusted by Holm's method for the number of pairs looked at.
    tested
        One sentence: what was tested, on what, and how.
    cautions
        Sentences that belong beside the numbers.
    flags
        Names from ``engine.across.flags``.
    """

    first: str
    second: str
    shift: Shift
    test: RankTest
    delta: Dominance
    p_holm: float
    tested: str
    cautions: tuple[str, ...]
    flags: tuple[str, ...]


@dataclass(frozen=True)
class RegionComparison:
    """All regions and all their pairs.

    Attributes
    ----------
    quantity, unit
        What was compared, and its unit (empty without one).
    regions
        In the order given.
    pairs
        Every pair, in the order given.
    cautions
        Sentences that hold for the whole: shown wherever a number of it is.
    level
        Confidence level of every interval.
    """

    quantity: str
    unit: str
    regions: tuple[RegionSummary, ...]
    pairs: tuple[PairDifference, ...]
    cautions: tuple[str, ...]
    level: float


@dataclass(frozen=True)
class RegionCells:
    """Cells within one region; counts only, since neighbouring cells are not independent.

    Attributes
    ----------
    cells
        Number of cells.
    area_mm2
        Area of the polygon.
    density_per_mm2
        Cells over area; NaN for a polygon without area.
    counts
        Cells a pattern, shape (patterns,).
    fractions
        Their share of the cells with a pattern; NaN without any.
    """

    cells: int
    area_mm2: float
    density_per_mm2: float
    counts: npt.NDArray[np.int64]
    fractions: FloatArray
