"""Force maps in the result tables: verdict, budget, law and way back."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from engine.calibration import shared_terms
from engine.map_tasks import MapAside
from engine.mechanics import (
    CurveFits,
    MapVerdict,
    MechanicsSettings,
    UncertaintyBudget,
    judge_map,
    tabor_parameter,
    uncertainty_budget,
)
from engine.store import ALL_TABLES, DiscStore
from engine.store.map_columns import MAP_COLUMNS

Columns = dict[str, npt.NDArray[Any]]
_MISSING: dict[str, Any] = {"number": np.nan, "count": -1, "truth": -1, "text": ""}
_BACK = ("loading_work_aJ", "lost_work_aJ", "adhesion_work_aJ", "pull_off_nm", "jkr_modulus_kPa")


@dataclass(frozen=True)
class Maps:
    """What is said of the force maps of a disc.

    Attributes
    ----------
    columns
        Further columns of the site table, in the order of the store's sites.
    flags
        Names by site.
    systematic
        Uncertainty that the probe shares, by site.
    tables
        Further tables by name.
    """

    columns: Columns
    flags: dict[str, tuple[str, ...]]
    systematic: dict[str, float]
    tables: dict[str, Columns]


def maps_of(
    store: DiscStore,
    fits: Mapping[str, CurveFits],
    asides: Mapping[str, MapAside],
    settings: MechanicsSettings,
) -> Maps:
    """Judge every map of a disc.

    Parameters
    ----------
    store
        The store.
    fits, asides
        Results by site.
    settings
        Those of the run.
    """
    rows: list[dict[str, Any]] = []
    flags: dict[str, tuple[str, ...]] = {}
    systematic: dict[str, float] = {}
    parts: dict[str, list[dict[str, Any]]] = {name: [] for name in ("budgets", "laws")}
    parts |= {"depth_scans": [], "stretches": []}
    for site, stored in store.sites.items():
        if site not in fits:
            rows.append({})
            continue
        fit, aside = fits[site], asides.get(site, MapAside(None, None))
        budget = _budget(store.info["probes"][stored.probe], fit, aside, settings)
        verdict = judge_map(fit, settings)
        rows.append(_values(fit, aside, budget, verdict))
        flags[site] = _flags(aside, budget, verdict)
        systematic[site] = budget.shared
        key = {"disc": store.disc, "site": site}
        parts["budgets"] += [key | row for row in _budget_rows(budget)]
        parts["laws"] += [key | row for row in _law_rows(aside)]
        parts["depth_scans"] += [key | row for row in _scan_rows(aside)]
        parts["stretches"] += [key | row for row in _stretch_rows(aside, stored.cols)]
    columns = {
        c.name: np.array(
            [row.get(c.name, _MISSING[c.kind]) for row in rows],
            dtype=object if c.kind == "text" else float,
        )
        for c in MAP_COLUMNS
    }
    return Maps(columns, flags, systematic, {n: _table(n, r) for n, r in parts.items()})


def curve_columns(fit: CurveFits, aside: MapAside | None) -> Columns:
    """Give further columns of the curves of one map."""
    none = np.full(len(fit.used), -1)
    stretches = none if aside is None or aside.stretches is None else aside.stretches.counts
    return {name: getattr(fit, name) for name in _BACK} | {"stretches": stretches}


def _budget(
    probe: Mapping[str, Any], fit: CurveFits, aside: MapAside, s: MechanicsSettings
) -> UncertaintyBudget:
    terms, radius = shared_terms(probe, s), probe.get("radius_rel_sd")
    own = terms.settings
    return uncertainty_budget(
        fit,
        spring_constant_rel_sd=terms.spring_constant_rel_sd,
        thermal_spring_constant=terms.thermal_spring_constant,
        scan_spread=None if aside.adequacy is None else aside.adequacy.scan_spread,
        settings=own if radius is None else own.model_copy(update={"radius_rel_sd": radius}),
    )


def _flags(aside: MapAside, budget: UncertaintyBudget, verdict: MapVerdict) -> tuple[str, ...]:
    names = list(verdict.flags)
    names += aside.adequacy.flags if aside.adequacy is not None else ()
    # without any curve the map says so itself
    return (*names, *(["not_quotable"] if budget.curves and not budget.quotable else []))


def _values(
    fit: CurveFits, aside: MapAside, budget: UncertaintyBudget, verdict: MapVerdict
) -> dict[str, Any]:
    return (
        _budget_values(budget)
        | {
            "usable_share": verdict.usable_share,
            "curves_outlying": verdict.outliers,
            "modulus_drift_rel": verdict.modulus_change,
            "modulus_drift_p": verdict.modulus.p,
            "baseline_drift_nm": verdict.baseline_nm.change,
            "contact_drift_nm": verdict.contact_nm.change,
        }
        | _depths(fit)
        | _law_values(aside)
        | _back_values(fit, aside)
    )


def _budget_values(b: UncertaintyBudget) -> dict[str, Any]:
    known = {
        "modulus_total_rel": b.total,
        "modulus_random_rel": b.random,
        "modulus_between_rel": b.between,
        "modulus_fit_rel": b.fit,
        "modulus_model_rel": b.model,
        "modulus_syst_low_kPa": b.shared_low_kPa,
        "modulus_syst_high_kPa": b.shared_high_kPa,
        "modulus_syst_method": b.method,
        "sensitivity_leverage": b.leverage,
    }
    return (known if b.curves else {}) | {"quotable": float(b.quotable)}


def _depths(fit: CurveFits) -> dict[str, Any]:
    depth = fit.indentation_nm[fit.used & np.isfinite(fit.indentation_nm)]
    if not len(depth):
        return {}
    low, high = np.quantile(depth, [0.05, 0.95])
    return {"indentation_p05_nm": low, "indentation_p95_nm": high}


def _law_values(aside: MapAside) -> dict[str, Any]:
    a = aside.adequacy
    if a is None:
        return {"adequacy_curves": 0}
    return {
        "law_sound": float(a.sound),
        "best_model": a.laws[0].name,
        "model_gap": a.gap,
        "best_model_modulus_off_rel": a.laws[0].modulus_off,
        "misfit_rel": a.misfit_share,
        "scan_spread_rel": a.scan_spread,
        "exponent_off_se": a.exponent_off_se,
        "residual_dw": a.durbin_watson,
        "residual_dw_free": a.durbin_watson_free,
        "adequacy_curves": a.curves,
    }


def _back_values(fit: CurveFits, aside: MapAside) -> dict[str, Any]:
    used = {name: _median(getattr(fit, name)[fit.used]) for name in _BACK}
    values: dict[str, Any] = dict(used)
    values["jkr_curves"] = int(np.isfinite(fit.jkr_modulus_kPa[fit.used]).sum())
    if values["jkr_curves"] and fit.tip.radius_nm is not None:
        values["jkr_tabor"] = tabor_parameter(
            fit.tip.radius_nm,
            _median(fit.adhesion_nN[fit.used & np.isfinite(fit.jkr_modulus_kPa)]),
            _median(fit.modulus_kPa[fit.used]),
            fit.poisson_ratio,
        )
    if aside.stretches is not None:
        values["stretches"] = int(np.maximum(aside.stretches.counts, 0).sum())
    return values


def _median(values: npt.NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _budget_rows(budget: UncertaintyBudget) -> list[dict[str, Any]]:
    if not budget.curves:
        return []
    return [
        {
            "source": line.name,
            "part": line.kind,
            "input_sd": line.input_sd,
            "coefficient": line.coefficient,
            "relative": line.relative,
        }
        for line in budget.lines
    ]


def _law_rows(aside: MapAside) -> list[dict[str, Any]]:
    a = aside.adequacy
    laws = () if a is None else a.laws
    return [
        {
            "law": law.name,
            "place": i + 1,
            "of_the_run": float(a is not None and law.name == a.law),
            "aicc_difference": law.aicc_difference,
            "modulus_off_rel": law.modulus_off,
            "left_share": law.left_share,
            "alike": float(law.alike),
        }
        for i, law in enumerate(laws)
    ]


def _scan_rows(aside: MapAside) -> list[dict[str, Any]]:
    a = aside.adequacy
    if a is None:
        return []
    points = zip(a.scan_fraction, a.scan_ratio, a.scan_se, strict=True)
    names = ("depth_share", "modulus_ratio", "modulus_ratio_se")
    return [dict(zip(names, point, strict=True)) for point in points]


def _stretch_rows(aside: MapAside, cols: int) -> list[dict[str, Any]]:
    found = aside.stretches
    if found is None:
        return []
    rows = []
    for curve, number, chains in zip(found.curve, found.number, found.fitted, strict=True):
        row, col = divmod(int(curve), cols)
        rows += [
            {
                "row": row,
                "col": col,
                "stretch": int(number),
                "chain": one.model,
                "first": one.first,
                "last": one.last,
                "rupture_nN": one.rupture_nN,
                "rupture_nm": one.rupture_extension_nm,
                "contour_nm": one.contour_nm,
                "contour_low_nm": one.contour_low_nm,
                "contour_high_nm": one.contour_high_nm,
                "persistence_nm": one.persistence_nm,
                "persistence_low_nm": one.persistence_low_nm,
                "persistence_high_nm": one.persistence_high_nm,
                "rmse_nN": one.rmse_nN,
            }
            for one in chains
        ]
    return rows


def _table(name: str, rows: Sequence[Mapping[str, Any]]) -> Columns:
    return {
        c.name: np.array([row[c.name] for row in rows], dtype=object if c.kind == "text" else float)
        for c in ALL_TABLES[name]
    }
