"""Columns and tables of force maps beyond the contract's: verdict, budget, law, way back."""

from engine.store.column import Column


def _text(name: str) -> Column:
    return Column(name, "text", name.replace("_", " "))


def _aside(name: str, label: str, unit: str = "") -> Column:
    """Make a number that is looked up, not coloured by."""
    return Column(name, "number", label, unit, offered=False)


MAP_COLUMNS = (
    Column("usable_share", "number", "usable share of the curves"),
    Column("curves_outlying", "count", "outliers", offered=False),
    Column("modulus_drift_rel", "number", "modulus, change along the scan"),
    _aside("modulus_drift_p", "modulus, p of no drift"),
    _aside("baseline_drift_nm", "baseline, change along the scan", "nm"),
    _aside("contact_drift_nm", "contact, change along the scan", "nm"),
    _aside("indentation_p05_nm", "indentation, 5th percentile", "nm"),
    _aside("indentation_p95_nm", "indentation, 95th percentile", "nm"),
    Column("modulus_total_rel", "number", "modulus, whole relative uncertainty"),
    _aside("modulus_random_rel", "modulus, uncertainty of the median"),
    _aside("modulus_between_rel", "modulus, spread of the tissue between curves"),
    _aside("modulus_fit_rel", "modulus, uncertainty of one fit"),
    _aside("modulus_model_rel", "modulus, uncertainty of the contact law over depth"),
    _aside("modulus_syst_low_kPa", "modulus, lower end under the shared part", "kPa"),
    _aside("modulus_syst_high_kPa", "modulus, upper end under the shared part", "kPa"),
    _text("modulus_syst_method"),
    Column("sensitivity_leverage", "number", "leverage of the sensitivity on the modulus"),
    Column("quotable", "truth", "quotable"),
    Column("law_sound", "truth", "contact law holds"),
    _text("best_model"),
    _aside("model_gap", "AICc of the model less that of the best"),
    _aside("best_model_modulus_off_rel", "modulus under the best model less this one"),
    _aside("misfit_rel", "residual common to the curves, over the largest force"),
    Column("scan_spread_rel", "number", "modulus, spread over the fitted depth"),
    _aside("exponent_off_se", "free exponent, standard error"),
    _aside("residual_dw", "Durbin-Watson in contact"),
    _aside("residual_dw_free", "Durbin-Watson before contact"),
    Column("adequacy_curves", "count", "curves asked for the law", offered=False),
    _aside("loading_work_aJ", "loading work", "aJ"),
    _aside("lost_work_aJ", "lost work", "aJ"),
    Column("adhesion_work_aJ", "number", "work of adhesion", "aJ"),
    Column("pull_off_nm", "number", "pull-off distance", "nm"),
    Column("jkr_modulus_kPa", "number", "modulus of the way back, two-point JKR", "kPa"),
    Column("jkr_curves", "count", "curves with a JKR modulus", offered=False),
    _aside("jkr_tabor", "Tabor's parameter of the adhesion"),
    Column("stretches", "count", "stretches of the way back"),
)
"""Of the table ``sites``."""

CURVE_COLUMNS = (
    Column("loading_work_aJ", "number", "loading work", "aJ"),
    Column("lost_work_aJ", "number", "lost work", "aJ"),
    Column("adhesion_work_aJ", "number", "work of adhesion", "aJ"),
    Column("pull_off_nm", "number", "pull-off distance", "nm"),
    Column("jkr_modulus_kPa", "number", "modulus of the way back, two-point JKR", "kPa"),
    Column("stretches", "count", "stretches of the way back"),
    Column("contact_se_nm", "number", "contact, standard error", "nm"),
    Column("baseline_offset_nm", "number", "baseline, offset", "nm"),
    Column("baseline_slope", "number", "baseline, slope"),
    Column("exponent_se", "number", "free exponent, standard error"),
    Column("stiffness_ratio", "number", "contact stiffness over spring constant"),
    Column("noise_nm", "number", "noise", "nm"),
)
"""Of the table ``curves``."""

MAP_TABLES: dict[str, tuple[Column, ...]] = {
    "budgets": (
        *(_text(name) for name in ("disc", "site", "source", "part")),
        _aside("input_sd", "standard deviation of the input"),
        _aside("coefficient", "d ln E per unit of the input"),
        _aside("relative", "relative standard uncertainty of the modulus"),
    ),
    "laws": (
        *(_text(name) for name in ("disc", "site", "law")),
        Column("place", "count", "place in the ranking"),
        Column("of_the_run", "truth", "the run's own law"),
        _aside("aicc_difference", "AICc less that of the best"),
        _aside("modulus_off_rel", "modulus over that of the run's law, less 1"),
        _aside("left_share", "residual beyond the best law's, over the largest force"),
        Column("alike", "truth", "not to be told from the best"),
    ),
    "depth_scans": (
        *(_text(name) for name in ("disc", "site")),
        _aside("depth_share", "share of the depth that was fitted"),
        _aside("modulus_ratio", "modulus over that of the whole curve, median"),
        _aside("modulus_ratio_se", "its standard error"),
    ),
    "stretches": (
        *(_text(name) for name in ("disc", "site")),
        Column("row", "count", "row"),
        Column("col", "count", "column"),
        Column("stretch", "count", "stretch of the curve"),
        _text("chain"),
        Column("first", "count", "first sample of the way back"),
        Column("last", "count", "sample after the last"),
        _aside("rupture_nN", "pull at the rupture", "nN"),
        _aside("rupture_nm", "separation at the rupture", "nm"),
        _aside("contour_nm", "contour length", "nm"),
        _aside("contour_low_nm", "contour length, lower end", "nm"),
        _aside("contour_high_nm", "contour length, upper end", "nm"),
        _aside("persistence_nm", "persistence or Kuhn length", "nm"),
        _aside("persistence_low_nm", "persistence or Kuhn length, lower end", "nm"),
        _aside("persistence_high_nm", "persistence or Kuhn length, upper end", "nm"),
        _aside("rmse_nN", "residual of the chain", "nN"),
    ),
}
"""Tables beside the sites': what the numbers of a map rest on, one row a source, law or stretch."""
