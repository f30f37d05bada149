"""Settings of what is said of a whole map: verdict, adequacy of the law, the way back."""

from pydantic import BaseModel, ConfigDict, Field


class MapSettings(BaseModel):
    """How a map as a whole is judged; the base of `MechanicsSettings`."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    few_curves_share: float = Field(
        default=0.5,
        ge=0.0,
        le=1.0,
        description="Usable share below this: few_curves_used.",
    )
    outlier_mad: float = Field(
        default=3.5,
        ge=1.0,
        le=100.0,
        description="Distance of ln E from the map's median, in 1.4826 median absolute deviations, "
        "from which a curve is an outlier.",
    )
    outliers_excluded: bool = Field(
        default=False, description="Leave outliers out of the map's numbers; else only mark them."
    )
    outlier_share: float = Field(
        default=0.1,
        ge=0.0,
        le=1.0,
        description="Outliers over the usable curves from which many_outliers is flagged.",
    )
    drift_p: float = Field(
        default=0.01,
        gt=0.0,
        lt=1.0,
        description="Largest p of Kendall's tau along the scan that counts as a drift.",
    )
    drift_modulus_share: float = Field(
        default=0.15,
        ge=0.0,
        le=10.0,
        description="And smallest change of the modulus over the scan: modulus_drift.",
    )
    drift_baseline_share: float = Field(
        default=0.5,
        ge=0.0,
        le=100.0,
        description="And smallest change of the baseline over the scan, over the largest "
        "deflection: baseline_drift.",
    )
    drift_contact_depths: float = Field(
        default=5.0,
        ge=0.0,
        le=1e6,
        description="And smallest change of the contact over the scan, in median depths: "
        "contact_drift.",
    )

    baseline_samples_min: int = Field(
        default=8, ge=2, le=100_000, description="Fewest samples before contact: no_baseline."
    )
    adhesion_sigma: float = Field(
        default=5.0,
        ge=0.0,
        le=1000.0,
        description="And the pull-off is at least this many sigma of the noise where it is read.",
    )
    snap_in_sigma: float = Field(
        default=3.6,
        ge=0.0,
        le=1000.0,
        description="And the dip before contact, a mean of five, at least this many noise sigma.",
    )
    sag_sigma: float = Field(
        default=2.0,
        ge=0.0,
        le=1000.0,
        description="And the bow at least this many noise sigma.",
    )
    saturated_low_share: float = Field(
        default=0.2,
        gt=0.0,
        le=1.0,
        description="Share of the samples at the lowest value, one after another, from which a "
        "curve that is not quiet counts as saturated below.",
    )
    jkr_sigma: float = Field(
        default=8.0,
        ge=1.0,
        le=1000.0,
        description="Pull-off, in sigma of single samples, from which its place is told and the "
        "two-point JKR modulus is formed.",
    )
    stretch_sigma: float = Field(
        default=8.0,
        ge=3.0,
        le=1000.0,
        description="Fall of the pull at a rupture, in noise sigma: stretches.",
    )
    stretch_fits_max: int = Field(
        default=200,
        ge=0,
        le=1_000_000,
        description="Most stretches of a map that chains are fitted to, the earliest first; all "
        "are counted.",
    )
    rank_aicc_gap: float = Field(
        default=10.0,
        ge=0.0,
        le=1e6,
        description="AICc difference up to which a law is not given up for another "
        "(Burnham and Anderson 2002: beyond 10 essentially none is left).",
    )
    adequacy_curves: int = Field(
        default=12,
        ge=0,
        le=10_000,
        description="Curves of a map, spread over the scan, that other laws and a depth scan are "
        "tried on; 0 = none.",
    )
