"""Settings of the force-curve analysis."""

from typing import Literal

from pydantic import Field

from .probe_settings import ProbeSettings
from .settings_map import MapSettings


class MechanicsSettings(MapSettings):
    """How curves are fitted and judged; every threshold that a flag uses."""

    free_exponent: bool = Field(
        default=True, description="Fit the law's exponent as well, as a test of the model."
    )
    fit_steps_max: int = Field(default=30, ge=5, le=200, description="Most steps of one fit.")
    interval_level: float = Field(
        default=0.95, gt=0.5, lt=1.0, description="Level of every confidence interval."
    )
    map_flag_share: float = Field(
        default=0.25,
        ge=0.0,
        le=1.0,
        description="A flag of more than this share of a map's curves is the map's own.",
    )
    noise_curves_max: int = Field(
        default=128,
        ge=1,
        le=100_000,
        description="Most curves of a map that its noise is estimated from.",
    )
    noise_prior_curves: float = Field(
        default=32.0,
        ge=0.0,
        le=10_000.0,
        description="Weight, in curves, of the probe's pooled noise beside the map's own.",
    )
    layer_base: Literal["bonded", "sliding", "ignore"] = Field(
        default="bonded",
        description="How the indented layer lies on its base, where its thickness is known: bonded "
        "or sliding corrects the law for it, ignore treats it as infinitely thick.",
    )

    no_contact_sigma: float = Field(
        default=15.0,
        ge=3.0,
        le=100.0,
        description="Largest force below this many noise sigma: no contact.",
    )
    weak_sigma: float = Field(
        default=40.0,
        ge=3.0,
        le=1000.0,
        description="Largest force below this many noise sigma: weak.",
    )
    saturated_run_samples: int = Field(
        default=3,
        ge=2,
        le=1000,
        description="Equal consecutive extremes from this number on: saturated.",
    )
    jump_se: float = Field(
        default=9.0,
        ge=4.0,
        le=1000.0,
        description="Step between two ten-sample means of the residuals over what the map's noise "
        "makes of it (standard error): jump.",
    )
    spike_sigma: float = Field(
        default=8.0, ge=5.0, le=1000.0, description="Residual of a sample, in noise sigma: spike."
    )
    noisy_ratio: float = Field(
        default=2.0,
        ge=1.0,
        le=100.0,
        description="Noise over the map's median noise: noisy baseline.",
    )
    short_baseline_share: float = Field(
        default=0.2,
        ge=0.0,
        le=0.9,
        description="Share of samples before contact below this: short.",
    )
    tilt_share: float = Field(
        default=0.03, gt=0.0, le=1.0, description="Baseline slope, deflection per drive: tilt."
    )
    sag_nm: float = Field(
        default=0.5, gt=0.0, le=1000.0, description="Bow of the baseline before contact, nm: sag."
    )
    adhesion_share: float = Field(
        default=0.005,
        gt=0.0,
        le=1.0,
        description="Pull-off or snap-in over the largest force: adhesion, snap_in.",
    )
    contact_share: float = Field(
        default=0.05,
        ge=0.0,
        le=0.5,
        description="Steps no farther from the contact than this share of the samples are a "
        "snap-in, if the tip was drawn in, and no jump.",
    )
    contact_step_share: float = Field(
        default=0.02,
        ge=0.0,
        le=1.0,
        description="Steps there below this share of the largest force are the law's misfit.",
    )
    shallow_nm: float = Field(
        default=10.0, ge=0.0, le=1e5, description="Depth below this, nm: shallow (not used)."
    )
    shallow_contact_se: float = Field(
        default=5.0,
        ge=0.0,
        le=100.0,
        description="Depth below this many standard errors of the contact.",
    )
    stiff_ratio: float = Field(
        default=3.0,
        gt=0.0,
        le=1000.0,
        description="Contact stiffness over spring constant: stiff_contact.",
    )
    not_quotable_ratio: float = Field(
        default=10.0,
        gt=0.0,
        le=1000.0,
        description="Contact stiffness over spring constant: modulus not quotable.",
    )
    exponent_tolerance: float = Field(
        default=0.05,
        gt=0.0,
        le=2.0,
        description="Distance of the free exponent from the law's: exponent_off.",
    )
    exponent_se: float = Field(
        default=3.0, ge=0.0, le=100.0, description="And at least this many of its standard errors."
    )
    sharp_radius_nm: float = Field(
        default=150.0, gt=0.0, le=1e6, description="Tips of a radius below this count as sharp, nm."
    )
    fibril_radius_nm: float = Field(
        default=50.0, gt=0.0, le=1e5, description="A sharp tip deeper than this: deep_for_tip, nm."
    )
    apex_depths: float = Field(
        default=20.0,
        ge=0.0,
        le=1000.0,
        description="A pyramid less deep than so many of its apex radii: apex_unknown.",
    )
    deep_ratio: float = Field(
        default=1.0,
        gt=0.0,
        le=100.0,
        description="Depth over the radius of a sphere: deep_for_tip.",
    )
    layer_corrected_ratio: float = Field(
        default=0.01,
        gt=0.0,
        le=1.0,
        description="sqrt(R depth) / thickness from which thin_layer is flagged.",
    )
    layer_refused_ratio: float = Field(
        default=0.5,
        gt=0.0,
        le=1.0,
        description="sqrt(R depth) / thickness from which no modulus is used.",
    )
    drive_range_min_nm: float = Field(
        default=1.0, gt=0.0, le=1e6, description="A shorter drive is a slip of units, nm."
    )
    drive_range_max_nm: float = Field(
        default=1e6, gt=0.0, le=1e12, description="A longer drive is a slip of units, nm."
    )
    deflection_range_min_nm: float = Field(
        default=1e-3,
        ge=0.0,
        le=1e3,
        description="Less deflection than any detector resolves is a slip of units, nm.",
    )
    modulus_min_kPa: float = Field(
        default=1e-3, ge=0.0, le=1e9, description="A smaller modulus is a slip of units, kPa."
    )
    modulus_max_kPa: float = Field(
        default=1e9, gt=0.0, le=1e15, description="A larger modulus is a slip of units, kPa."
    )
    rigid_slope: float = Field(
        default=1.1,
        ge=1.0,
        le=10.0,
        description="Deflection per drive from which units or sensitivity must be wrong.",
    )

    sensitivity_rel_sd: float = Field(
        default=0.03,
        ge=0.0,
        le=1.0,
        description="Relative standard deviation of the sensitivity, where deflection is in volts.",
    )
    spring_constant_rel_sd: float = Field(
        default=0.10,
        ge=0.0,
        le=1.0,
        description="Relative standard deviation of the spring constant, where none is given.",
    )
    sensitivity_repeat_rel_sd: float = Field(
        default=0.01,
        ge=0.0,
        le=1.0,
        description="What a sensitivity from stiff curves differs by when taken again (judgement).",
    )
    thermal_method_rel_sd: float = Field(
        default=0.05,
        ge=0.0,
        le=1.0,
        description="What beam factor, spot and temperature add to a thermal spring constant "
        "(judgement).",
    )
    radius_rel_sd: float = Field(
        default=0.05, ge=0.0, le=1.0, description="Relative standard deviation of the tip radius."
    )
    half_angle_sd_deg: float = Field(
        default=1.0, ge=0.0, le=20.0, description="Standard deviation of the half-angle, degrees."
    )
    rank_modulus_off: float = Field(
        default=0.02,
        ge=0.0,
        le=1.0,
        description="Laws whose moduli differ by no more than this share may be called alike.",
    )
    rank_misfit: float = Field(
        default=0.002,
        ge=0.0,
        le=1.0,
        description="Residual over the largest force that a law may leave unexplained.",
    )
    rank_scan_spread: float = Field(
        default=0.05,
        ge=0.0,
        le=10.0,
        description="Spread of the modulus over the fitted depth that a law may show.",
    )
    poisson_ratio_sd: float = Field(
        default=0.0,
        ge=0.0,
        le=0.5,
        description="Standard deviation of the Poisson ratio in the budget; 0 = a convention.",
    )
    drive_rel_sd: float = Field(
        default=0.0,
        ge=0.0,
        le=1.0,
        description="Relative standard deviation of the drive's scale in the budget.",
    )
    systematic_draws: int = Field(
        default=0,
        ge=0,
        le=1_000_000,
        description="Draws of the Monte Carlo of the shared uncertainty; 0 = first order.",
    )
    depth_fractions: tuple[float, ...] = Field(
        default=(0.3, 0.4, 0.5, 0.6, 0.7, 0.85, 1.0),
        description="Shares of the depth at which a curve is refitted to test the model.",
    )
    every_probe: ProbeSettings = Field(
        default_factory=ProbeSettings,
        description="Assumptions for every probe, in place of the disc folder's.",
    )
    probes: dict[str, ProbeSettings] = Field(
        default_factory=dict,
        description="The same for one probe, by its name; stands above `every_probe`.",
    )
