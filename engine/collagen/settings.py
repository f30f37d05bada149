"""Every choice the collagen part makes, with unit, bound and meaning."""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

LevelStep = Literal["plane", "row_jitter", "row_median", "row_difference", "quadratic"]


class CollagenSettings(BaseModel):
    """Settings of levelling, texture, fibrils and banding; lengths in nanometres.

    Raises
    ------
    pydantic.ValidationError
        If a field is unknown or out of its bounds, or a pair of limits is not in order.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    levelling: tuple[LevelStep, ...] = Field(
        default=("plane", "row_jitter"),
        description="steps in order; everything beyond the plane and row jitter eats undulation",
    )
    jitter_rows: float = Field(
        default=12.0,
        ge=2,
        le=200,
        description="row offsets that change over this many rows are half taken out, slower less",
    )
    jitter_min_nm: float = Field(
        default=0.1, ge=0, le=1000, description="smaller row offsets are left alone"
    )
    jitter_min_ratio: float = Field(
        default=2.0,
        ge=0,
        le=100,
        description="row jitter is taken out where it exceeds this multiple of the same measure "
        "taken across columns, where no line noise can be",
    )

    mask_faults: bool = Field(
        default=True, description="mask spikes, scars and lost rows before anything is measured"
    )
    spike_ratio: float = Field(
        default=6.0,
        gt=0,
        le=1e4,
        description="a spike stands off all of the ring two pixels away by this multiple of the "
        "usual step from pixel to pixel",
    )
    scar_ratio: float = Field(
        default=4.0,
        gt=0,
        le=1e4,
        description="a scar steps off both neighbouring rows by this multiple of the usual step",
    )
    scar_min_px: int = Field(
        default=24, ge=5, le=10_000, description="shortest scar along the fast axis, pixels"
    )

    s_filter_nm: float | None = Field(
        default=None,
        gt=0,
        le=1e6,
        description="nesting index of the S-filter before the texture: shorter waves are taken "
        "out; at least five pixels, finer ones are not applied; off by default",
    )
    l_filter_nm: float | None = Field(
        default=None,
        gt=0,
        le=1e7,
        description="nesting index of the L-filter before the texture: longer waves are taken "
        "out; off by default",
    )
    acf_threshold: float = Field(
        default=0.2, gt=0, lt=1, description="autocorrelation at which Sal and Str are read"
    )

    trace_smooth_px: float = Field(
        default=0.7, ge=0, le=5, description="Gaussian before the ridge filter, sigma in pixels"
    )
    trace_min_nm: float = Field(
        default=30.0, gt=0, le=1000, description="smallest diameter that the ridge filter expects"
    )
    trace_max_nm: float = Field(
        default=180.0, gt=0, le=5000, description="largest diameter that the ridge filter expects"
    )
    trace_scales: int = Field(default=6, ge=1, le=24, description="number of ridge filter scales")
    ridge_high: float = Field(
        default=0.35,
        gt=0,
        le=2,
        description="ridge strength that starts a trace; a half cylinder has about 1",
    )
    ridge_low: float = Field(
        default=0.15, gt=0, le=2, description="ridge strength down to which a trace is followed"
    )
    piece_min_nm: float = Field(
        default=60.0, gt=0, le=1e5, description="pieces shorter than this are dropped"
    )
    crest_share: float = Field(
        default=0.5,
        ge=0,
        le=1,
        description="share of a piece that must run along a crest: the heights fall on both sides",
    )
    junction_radius_nm: float = Field(
        default=12.0, ge=0, le=1000, description="kept free around each junction"
    )
    tangent_smooth_nm: float = Field(
        default=25.0, gt=0, le=1000, description="Gaussian along a path, sigma"
    )

    order_end_loss: float = Field(
        default=0.375,
        ge=0,
        le=2,
        description="what a trace loses at each end where another fibril crosses, in diameters; "
        "0.25 to 0.4 on invented networks; it weighs the order",
    )
    map_cell_nm: float = Field(
        default=400.0, ge=50, le=1e5, description="cell of the map of local orientation"
    )

    divide_turn_deg: float = Field(
        default=30.0,
        gt=0,
        le=90,
        description="a branch turns off its trunk by less than this where a fibril divides",
    )
    divide_area_ratio: float = Field(
        default=1.5,
        gt=1,
        le=10,
        description="area of both branches over that of the trunk, or its inverse, at the most",
    )
    divide_thinner: float = Field(
        default=0.88,
        gt=0,
        lt=1,
        description="both branches are thinner than this share of the trunk",
    )

    radius_rel_sd: float = Field(
        default=0.05,
        ge=0,
        le=1,
        description="relative standard deviation of the tip radius where the probe states none",
    )
    tip_blunter_ratio: float = Field(
        default=1.6,
        ge=1,
        le=100,
        description="an image's own tip radius above the stated one by this factor is flagged",
    )
    tip_sharper_ratio: float = Field(
        default=0.75,
        gt=0,
        le=1,
        description="an image's own tip radius below the stated one by this factor is flagged",
    )
    profile_average_nm: float = Field(
        default=12.0, ge=0, le=200, description="profiles are averaged this far along either way"
    )
    profile_flank_share: float = Field(
        default=0.7, gt=0, le=1, description="share of each side's own flank that is fitted"
    )
    profile_depth_share: float = Field(
        default=0.75, gt=0, le=1, description="deepest fitted point in radii below the crest"
    )
    gate_residual: float = Field(
        default=0.05, gt=0, le=1, description="largest rms residual of the circle, in radii"
    )
    gate_reach: float = Field(
        default=0.5, ge=0, lt=1, description="each side must be seen out to this many radii"
    )
    gate_flank_nm: float = Field(
        default=5.0, ge=0, le=1000, description="the lower flank must be at least this high"
    )
    thickness_min_nm: float = Field(
        default=15.0, gt=0, le=1000, description="thinner circles are not believed"
    )
    thickness_max_nm: float = Field(
        default=260.0, gt=0, le=5000, description="thicker circles are not believed"
    )
    edge_nm: float = Field(
        default=100.0, ge=0, le=1e4, description="nothing is measured this near the image's edge"
    )
    measured_min_nm: float = Field(
        default=50.0, ge=0, le=1e4, description="a piece counts when this much of it is measured"
    )
    measured_min_share: float = Field(
        default=0.2, ge=0, le=1, description="and when this share of its length is measured"
    )
    method_rel_sd: float = Field(
        default=0.025,
        ge=0,
        le=1,
        description="relative standard deviation of the method itself, added to the interval",
    )
    bootstrap_samples: int = Field(
        default=1000, ge=100, le=100_000, description="resamples of pieces for the interval"
    )
    interval_level: float = Field(default=0.95, gt=0.5, lt=1, description="confidence level")
    pieces_min: int = Field(default=30, ge=1, le=10_000, description="fewer pieces are flagged")
    thin_px: float = Field(
        default=4.0,
        gt=0,
        le=100,
        description="a median thickness below this many pixels is flagged",
    )
    wide_interval: float = Field(
        default=0.15, gt=0, le=10, description="relative half-width of the interval that is flagged"
    )

    interval_aim: float = Field(
        default=0.12,
        gt=0,
        le=10,
        description="relative half-width of the interval for which the pieces needed are told",
    )

    band_piece_min_nm: float = Field(
        default=220.0, gt=0, le=1e5, description="shorter pieces are not searched for bands"
    )
    band_low_nm: float = Field(
        default=55.0, gt=0, le=1000, description="shortest period that counts as a band"
    )
    band_high_nm: float = Field(
        default=80.0, gt=0, le=1000, description="longest period that counts as a band"
    )
    band_across_share: float = Field(
        default=0.2, ge=0, le=0.5, description="profile averaged across, in diameters either way"
    )
    band_highpass_nm: float = Field(
        default=50.0, gt=0, le=1000, description="Gaussian whose smooth is taken off, sigma"
    )
    band_axis_smooth_nm: float = Field(
        default=30.0, gt=0, le=1000, description="axis height smoothed before its slope is taken"
    )
    band_false_alarm: float = Field(
        default=0.01, gt=0, lt=0.5, description="chance of a band where there is none"
    )
    band_ratio_min: float = Field(
        default=2.3, ge=1, le=100, description="pooled peak over background, at the least"
    )
    band_pixel_nm: float = Field(
        default=16.0, gt=0, le=100, description="coarser pixels: pooled answer only"
    )
    band_pixel_max_nm: float = Field(
        default=22.0, gt=0, le=100, description="coarser pixels: bands are not resolvable"
    )

    @model_validator(mode="after")
    def _in_order(self) -> "CollagenSettings":
        for low, high in (
            ("trace_min_nm", "trace_max_nm"),
            ("ridge_low", "ridge_high"),
            ("thickness_min_nm", "thickness_max_nm"),
            ("band_low_nm", "band_high_nm"),
            ("band_pixel_nm", "band_pixel_max_nm"),
        ):
            if getattr(self, low) > getattr(self, high):
                raise ValueError(
                    f"{low} must not exceed {high}, got {getattr(self, low)} > "
                    f"{getattr(self, high)}"
                )
        if self.s_filter_nm and self.l_filter_nm and self.s_filter_nm >= self.l_filter_nm:
            raise ValueError(
                f"s_filter_nm must be below l_filter_nm, got {self.s_filter_nm} >= "
                f"{self.l_filter_nm}"
            )
        return self
