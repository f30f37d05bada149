"""Settings of the maps that the curves of a site give."""

from pydantic import BaseModel, ConfigDict, Field


class MapsSettings(BaseModel):
    """How contact heights are levelled, matched with the height image and brought under load."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    drift_degree: int = Field(
        default=0,
        ge=0,
        le=4,
        description="Contact heights lose what drifts against the height image along the slow "
        "axis, as a polynomial of this degree; 0 leaves them alone beyond the levelling that the "
        "height images get.",
    )
    beyond_share: float = Field(
        default=0.1,
        ge=0.0,
        le=0.5,
        description="A curve's law is followed beyond its own largest force by this share at most.",
    )
    match_shift_points: float = Field(
        default=3.0,
        ge=0.0,
        le=20.0,
        description="The map is looked for on the height image within so many of its own points.",
    )
    match_correlation_min: float = Field(
        default=0.8,
        ge=-1.0,
        le=1.0,
        description="Contact heights that correlate less with the height image: map_unlike_image.",
    )
    match_shift_flag_points: float = Field(
        default=1.0,
        gt=0.0,
        le=20.0,
        description="A map that lies off the image by more of its own points: map_shifted.",
    )
    drift_flag_share: float = Field(
        default=0.25,
        gt=0.0,
        le=10.0,
        description="Drift against the image over the spread of the heights: map_drift.",
    )
    points_min: int = Field(
        default=16,
        ge=4,
        le=4096,
        description="Maps with fewer points along a side get no texture at zero force.",
    )
