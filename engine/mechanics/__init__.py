"""Force curves to indentation modulus: contact laws, estimation, quality, uncertainty."""

from .adequacy import Candidate, ModelRank, rank_models
from .adhesive import ADHESIVE_MODELS, AdhesiveModel, adhesive_curve, tabor_parameter
from .adhesive_fit import AdhesiveFit, fit_adhesive, two_point_jkr, two_points_of
from .budget import (
    BudgetLine,
    Quoted,
    UncertaintyBudget,
    comparison_text,
    least_difference,
    uncertainty_budget,
    why_not_quotable,
)
from .explain import CurveExplanation, explain_curve, model_curve
from .fit import FitCancelled, fit_curves
from .flag_limits import limit_words
from .flags import FLAGS
from .layer import Layer, layer_factor, published_layer_factor
from .map_adequacy import LawFit, MapAdequacy, chosen_curves, map_adequacy
from .map_stretches import (
    MapStretches,
    curve_stretches,
    map_stretches,
    separation_and_force,
    stretch_model,
)
from .models import MODELS, ContactModel, Tip, contact_force, contact_radius, contact_stiffness
from .noise import NO_NOISE, Noise, pool_noise
from .probe_settings import ProbeSettings
from .refit import (
    ContactMethod,
    ContactTrial,
    FitChange,
    compare_fits,
    contact_profile,
    modulus_at_contact,
    refit_map,
)
from .results import CurveFits
from .sensitivity import Sensitivity, sensitivity_from_stiff_surface
from .settings import MechanicsSettings
from .stretches import CAUTION, Stretch, find_stretches, fit_stretch
from .summary import MAP_FLAGS, MapModulus, summarise_map
from .tables import layer_under
from .thermal import BEAM_FACTORS, ThermalFit, fit_thermal, thermal_spectrum
from .thermal_range import averages_from_scatter, resonance_range
from .thermal_record import (
    ThermalCalibration,
    ThermalTerms,
    calibrate_record,
    calibrate_spectrum,
)
from .trend import Trend, scan_trend
from .uncertainty import SharedUncertainty, shared_uncertainty, systematic_uncertainty
from .verdict import MapVerdict, drift_words, judge_map, mark_outliers, outlier_words, verdict_words
from .warm import warm_up

__all__ = [
    "ADHESIVE_MODELS",
    "BEAM_FACTORS",
    "CAUTION",
    "FLAGS",
    "MAP_FLAGS",
    "MODELS",
    "NO_NOISE",
    "AdhesiveFit",
    "AdhesiveModel",
    "BudgetLine",
    "Candidate",
    "ContactMethod",
    "ContactModel",
    "ContactTrial",
    "CurveExplanation",
    "CurveFits",
    "FitCancelled",
    "FitChange",
    "LawFit",
    "Layer",
    "MapAdequacy",
    "MapModulus",
    "MapStretches",
    "MapVerdict",
    "MechanicsSettings",
    "ModelRank",
    "Noise",
    "ProbeSettings",
    "Quoted",
    "Sensitivity",
    "SharedUncertainty",
    "Stretch",
    "ThermalCalibration",
    "ThermalFit",
    "ThermalTerms",
    "Tip",
    "Trend",
    "UncertaintyBudget",
    "adhesive_curve",
    "averages_from_scatter",
    "calibrate_record",
    "calibrate_spectrum",
    "chosen_curves",
    "compare_fits",
    "comparison_text",
    "contact_force",
    "contact_profile",
    "contact_radius",
    "contact_stiffness",
    "curve_stretches",
    "drift_words",
    "explain_curve",
    "find_stretches",
    "fit_adhesive",
    "fit_curves",
    "fit_stretch",
    "fit_thermal",
    "judge_map",
    "layer_factor",
    "layer_under",
    "least_difference",
    "limit_words",
    "map_adequacy",
    "map_stretches",
    "mark_outliers",
    "model_curve",
    "modulus_at_contact",
    "outlier_words",
    "pool_noise",
    "published_layer_factor",
    "rank_models",
    "refit_map",
    "resonance_range",
    "scan_trend",
    "sensitivity_from_stiff_surface",
    "separation_and_force",
    "shared_uncertainty",
    "stretch_model",
    "summarise_map",
    "systematic_uncertainty",
    "tabor_parameter",
    "thermal_spectrum",
    "two_point_jkr",
    "two_points_of",
    "uncertainty_budget",
    "verdict_words",
    "warm_up",
    "why_not_quotable",
]
