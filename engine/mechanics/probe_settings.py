"""What an analysis may assume of one probe, or of all, in place of what the disc folder says."""

from pydantic import BaseModel, ConfigDict, Field

from .models import Shape


class ProbeSettings(BaseModel):
    """Assumptions for one probe; what is left out stays as the disc folder has it.

    They hold for force curves alone: height images keep the tip of the disc folder.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    contact_model: Shape | None = Field(
        default=None,
        description="Contact law; `cone` means a sharp one, `capped_cone` one with the tip radius "
        "at its apex.",
    )
    fit_depth_share: float | None = Field(
        default=None,
        ge=0.05,
        le=1.0,
        description="Share of each curve's own indentation that is fitted, contact and baseline "
        "with it.",
    )
    poisson_ratio: float | None = Field(
        default=None, ge=0.0, le=0.5, description="Poisson ratio of the tissue."
    )
    tip_radius_nm: float | None = Field(
        default=None,
        gt=0.0,
        le=1e6,
        allow_inf_nan=False,
        description="Radius of the tip, of its apex or of its flat end, nm.",
    )
    half_angle_deg: float | None = Field(
        default=None, gt=0.0, lt=90.0, description="Half of the tip's opening angle, degrees."
    )
    thickness_um: float | None = Field(
        default=None,
        gt=0.0,
        le=1e6,
        allow_inf_nan=False,
        description="Thickness of the layer that is indented, um.",
    )
