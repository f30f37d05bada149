"""Accuracy of the height images' numbers against the truth of a disc.

Part of ``tests/score.py``. Bars: issue "From a folder of raw measurements to a disc", Images. Sq is
held against the surface after tip dilation: that is all an instrument can see.
"""

from pathlib import Path

import numpy as np
import pandas as pd

Row = tuple[str, float, str, bool]


def _row(name: str, value: float, bar: str, reached: bool) -> Row:
    return name, float(value), bar, bool(reached)


def _joined(tables: dict[str, pd.DataFrame], truth_dir: Path) -> pd.DataFrame:
    truth = pd.read_csv(truth_dir / "images.csv").set_index("site")
    sites = tables["sites"].set_index("site")
    return sites.loc[sites.index.intersection(truth.index)].join(truth, rsuffix="_truth")


def _texture(both: pd.DataFrame) -> list[Row]:
    error = (both["Sq_nm"] / both["Sq_dilated_nm"] - 1).abs()
    typical, worst = error.median(), error.max()
    return [
        _row("images: Sq, median relative error", typical, "<= 0.03", typical <= 0.03),
        _row("images: Sq, largest relative error", worst, "<= 0.05", worst <= 0.05),
    ]


def _banding(both: pd.DataFrame) -> list[Row]:
    error = (both["band_period_nm"] - both["band_period_nm_truth"]).abs()
    banded = both["band_period_nm_truth"].notna()
    answered = error[banded].notna().mean() if banded.any() else np.nan
    near = (error[banded] <= 2).mean() if banded.any() else np.nan
    rows = [
        _row("images: band period answered, share", answered, ">= 0.9", answered >= 0.9),
        _row("images: band period within 2 nm, share", near, ">= 0.9", near >= 0.9),
        _row("images: band period, median error nm", error.median(), "reported (aim <= 0.9)", True),
    ]
    if (~banded).any():
        false = both.loc[~banded, "band_period_nm"].notna().mean()
        rows.append(_row("images: bands where there are none, share", false, "0", false == 0))
    return rows


def _orientation(both: pd.DataFrame) -> list[Row]:
    error = (both["fibril_order"] - both["order"]).abs()
    turn = both["fibril_angle_deg"] - both["director_disc_deg"]
    turn = ((turn + 90) % 180 - 90).abs()[both["order"] > 0.2]
    return [
        _row(
            "images: order, median error",
            error.median(),
            "<= 0.06 (aim <= 0.03)",
            error.median() <= 0.06,
        ),
        _row("images: order, largest error", error.max(), "reported (aim <= 0.1)", True),
        _row(
            "images: order, bias", (both["fibril_order"] - both["order"]).median(), "reported", True
        ),
        _row("images: director, median error deg", turn.median(), "reported (order > 0.2)", True),
    ]


def _thickness(both: pd.DataFrame) -> list[Row]:
    error = both["fibril_thickness_median_nm"] / both["thickness_median_nm"] - 1
    rank = both["fibril_thickness_median_nm"].corr(both["thickness_median_nm"], "spearman")
    top = both["thickness_p95_nm"]
    low, high = (both[f"fibril_thickness_p95_ci_{end}_nm"] for end in ("low", "high"))
    holds = ((low <= top) & (top <= high)).mean()
    half = (high - low) / 2 / both["fibril_thickness_p95_nm"]
    p95 = both["fibril_thickness_p95_nm"] / top - 1
    typical, enough = error.abs().median(), len(both) >= 8
    return [
        _row("images: thickness, median error", typical, "<= 0.06 (aim <= 0.03)", typical <= 0.06),
        _row("images: thickness, bias", error.median(), "reported", True),
        _row("images: thickness, largest error", error.abs().max(), "reported (aim <= 0.12)", True),
        # Too few images have no rank correlation worth a bar.
        _row("images: thickness, rank correlation", rank, ">= 0.95", rank >= 0.95 or not enough),
        _row(
            "images: 95th percentile, median error",
            p95.abs().median(),
            "reported (aim <= 0.04)",
            True,
        ),
        _row("images: 95th percentile in its interval", holds, ">= 0.85", holds >= 0.85),
        _row(
            "images: half-width, median",
            half.median(),
            "<= 0.15 (aim <= 0.12)",
            half.median() <= 0.15,
        ),
        _row("images: half-width above 0.15, share", (half > 0.15).mean(), "flagged", True),
    ]


def score(tables: dict[str, pd.DataFrame], truth_dir: Path) -> list[Row]:
    """Rows of figure, value, bar and whether it is reached.

    Parameters
    ----------
    tables
        Result tables by name; ``sites`` is used.
    truth_dir
        Folder with ``images.csv``.
    """
    both = _joined(tables, truth_dir)
    return _texture(both) + _banding(both) + _orientation(both) + _thickness(both)
