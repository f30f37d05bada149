"""Score the curves and the moduli of the result tables against a truth folder."""

from pathlib import Path

import numpy as np
import pandas as pd

Row = tuple[str, float, str, bool]

FAULTY = ("no_contact", "saturated", "jump")
SOUND = ("none", "spike")
Z95 = 1.959964


def _row(name: str, value: float, bar: float, at_most: bool = True) -> Row:
    value = float(value)
    reached = value <= bar if at_most else value >= bar
    return (
        name,
        value,
        f"{'<=' if at_most else '>='} {bar:g}",
        bool(np.isfinite(value) and reached),
    )


def _nano_truth(truth_dir: Path, sites) -> pd.DataFrame:
    """One row a curve of every truth file that has curves."""
    parts = []
    for site in sites:
        path = truth_dir / f"nano_{site}.npz"
        if not path.exists():
            continue
        with np.load(path) as truth:
            if "modulus_kPa" not in truth:
                continue
            rows, cols = np.indices(truth["modulus_kPa"].shape)
            parts.append(
                pd.DataFrame(
                    {
                        "site": site,
                        "row": rows.ravel(),
                        "col": cols.ravel(),
                        "modulus_kPa": truth["modulus_kPa"].ravel().astype(float),
                        "contact_z_um": truth["contact_z_um"].ravel(),
                        "adhesion_nN": truth["adhesion_nN"].ravel().astype(float),
                        "dissipation": truth["dissipation"].ravel().astype(float),
                        "fault": truth["fault"].ravel(),
                    }
                )
            )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["site"])


def _joined(curves: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    both = truth.merge(curves, on=["site", "row", "col"], suffixes=("_true", ""), how="left")
    both["used"] = both["used"].fillna(False).astype(bool)
    with np.errstate(divide="ignore", invalid="ignore"):
        both["error"] = np.log(both["modulus_kPa"].astype(float) / both["modulus_kPa_true"])
    both["log_se"] = both["modulus_se_kPa"].astype(float) / both["modulus_kPa"].astype(float)
    return both


def _coverage(used: pd.DataFrame) -> float:
    return float((used["error"].abs() <= Z95 * used["log_se"]).mean())


def _use(both: pd.DataFrame, where: str) -> list[Row]:
    sound = both[both["fault"].isin(SOUND)]
    faulty = both[both["fault"].isin(FAULTY)]
    rows = [_row(f"{where}: sound curves used", sound["used"].mean(), 0.99, at_most=False)]
    if len(faulty):
        share = 1.0 - faulty["used"].mean()
        rows.append(_row(f"{where}: faulty curves not used", share, 0.99, at_most=False))
    return rows


def _beads(both: pd.DataFrame) -> list[Row]:
    used = both[both["used"]]
    error = used["error"].abs()
    cover = _coverage(used)
    # two standard errors of a share leave room for small discs
    small = both.groupby("site").size().median() < 36
    low, high = (0.85, 1.0) if small else (0.90, 0.98)
    contact = 1e3 * (used["contact_z_um"].astype(float) - used["contact_z_um_true"]).abs()
    return [
        _row("bead maps: median |ln(E / true)|", error.median(), 0.003),
        _row("bead maps: 95th percentile of it", error.quantile(0.95), 0.01),
        *_use(both, "bead maps"),
        (
            "bead maps: coverage of 95 % intervals",
            cover,
            f"{low:g} to {high:g}",
            low <= cover <= high,
        ),
        _row("bead maps: median contact error, nm", contact.median(), 1.0),
        _row(
            "bead maps: median |dissipation / true - 1|",
            (used["dissipation"].astype(float) / used["dissipation_true"] - 1).abs().median(),
            0.05,
        ),
    ]


def _sharp(both: pd.DataFrame, sites: pd.DataFrame) -> list[Row]:
    rows = _use(both, "sharp maps")
    used = both[both["used"]]
    rows.append(
        _row("sharp maps: median |ln(E / true)|", used["error"].abs().median(), 0.03),
    )
    worst = 0.0
    said = sites.set_index("site")["modulus_kPa"].astype(float)
    for site, one in both.groupby("site"):
        true = one.loc[one["fault"].isin(SOUND), "modulus_kPa_true"].median()
        worst = max(worst, abs(said[site] / true - 1))
    rows.append(_row("sharp maps: worst site median, relative", worst, 0.015))
    return rows


def score(tables: dict[str, pd.DataFrame], truth_dir: Path) -> list[Row]:
    """Figures of the ``curves`` and ``sites`` tables against ``truth_dir``.

    Parameters
    ----------
    tables
        Result tables by name, columns as the contract has them.
    truth_dir
        Folder with curves.csv and, for sharp-tip maps, nano_SITE.npz.

    Returns
    -------
    list of (figure, value, bar, reached)
    """
    curves, sites = tables["curves"], tables["sites"]
    rows: list[Row] = []
    path = truth_dir / "curves.csv"
    if path.exists():
        rows += _beads(_joined(curves, pd.read_csv(path)))
    nano = sites.loc[sites["kind"] == "nano-image", "site"]
    sharp = _nano_truth(truth_dir, [s for s in nano if (curves["site"] == s).any()])
    if len(sharp):
        rows += _sharp(_joined(curves, sharp), sites)
    return rows
