"""Settings of clips: what is called sharp, how far frames may move, when no pattern is named."""

from pydantic import BaseModel, ConfigDict, Field


class ClipsSettings(BaseModel):
    """Every figure that a clip's verdict hangs on.

    Defaults were chosen on simulated clips (tests/clips_simulator.py); conventions without a source
    otherwise.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    focus_sigma_px: float = Field(
        default=1.5, gt=0, le=20, description="Gaussian of the focus score's Laplacian, pixels."
    )
    focus_min: float = Field(
        default=0.008, ge=0, le=10, description="Least focus score of a sharp frame; no unit."
    )
    sharp_share: float = Field(
        default=0.6,
        gt=0,
        le=1,
        description="Least focus score of a sharp frame over the clip's 95th percentile; no unit.",
    )
    usable_share: float = Field(
        default=0.12,
        gt=0,
        le=1,
        description="Least focus score, over the same, of a frame that may join others; no unit.",
    )
    search_px: int = Field(
        default=72, ge=4, le=1000, description="Largest unforeseen move between frames, pixels."
    )
    links_ahead: int = Field(
        default=3, ge=1, le=20, description="Usable frames ahead that each one is compared with."
    )
    frames_max: int = Field(
        default=900, ge=2, le=100_000, description="Frames looked at, from the first."
    )
    mosaic_frames_max: int = Field(
        default=80, ge=1, le=10_000, description="Sharpest frames that the mosaic is made of."
    )
    mosaic_pixels_max: int = Field(
        default=2**25, ge=2**16, le=2**30, description="Largest mosaic, pixels."
    )
    border_um: float = Field(
        default=6.0, ge=0, le=1000, description="Cells nearer to the mosaic's edge are left out."
    )
    cells_min: int = Field(default=15, ge=3, le=100_000, description="Fewest cells of a verdict.")
    blurred_share_max: float = Field(
        default=0.35,
        ge=0,
        le=1,
        description="Largest share of the spots that may be out of focus; no unit.",
    )
    count_ratio_max: float = Field(
        default=1.6,
        ge=1,
        le=100,
        description="Largest ratio of the cells counted at the lowest and highest threshold.",
    )
    share_min: float = Field(
        default=0.7, ge=0, le=1, description="Least share of the cells of the pattern named."
    )
    support_min: float = Field(
        default=0.9,
        ge=0,
        le=1,
        description="Least share of resamplings of the groups that name the same pattern.",
    )
    resamplings: int = Field(default=400, ge=20, le=100_000, description="Resamplings of groups.")
