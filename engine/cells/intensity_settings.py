"""Settings of the brightness of stains at cells and in windows."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator


class IntensitySettings(BaseModel):
    """How the brightness of stains at a cell is measured; distances count from its nucleus's edge.

    The distances suit chondrocytes in their lacunae (common practice, no source).
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    edge_scale_um: Annotated[float, Field(gt=0, le=10)] = Field(
        default=0.7, description="Gaussian smoothing before a nucleus is cut out at half contrast."
    )
    radius_max_um: Annotated[float, Field(gt=0, le=100)] = Field(
        default=12.0, description="Nuclei are taken to be no larger than this radius."
    )
    rim_from_um: Annotated[float, Field(ge=0, le=50)] = Field(
        default=1.0, description="The rim round the nucleus starts at this distance."
    )
    rim_to_um: Annotated[float, Field(gt=0, le=50)] = Field(
        default=3.0, description="The rim round the nucleus ends at this distance."
    )
    ground_from_um: Annotated[float, Field(ge=0, le=100)] = Field(
        default=5.0, description="The ring that tells the ground starts at this distance."
    )
    ground_to_um: Annotated[float, Field(gt=0, le=100)] = Field(
        default=12.0, description="The ring that tells the ground ends at this distance."
    )
    ground_to_max_um: Annotated[float, Field(gt=0, le=200)] = Field(
        default=26.0,
        description="A ring with too few pixels clear of other nuclei is widened up to here.",
    )
    clear_of_others_um: Annotated[float, Field(ge=0, le=50)] = Field(
        default=3.0, description="Pixels nearer than this to another nucleus are no ground."
    )
    ground_pixels_min: Annotated[int, Field(ge=5, le=10000)] = Field(
        default=40, description="Fewest pixels (every second row and column) that tell a ground."
    )
    clip_sd: Annotated[float, Field(gt=0, le=20)] = Field(
        default=3.0,
        description="Pixels further from the median than this many robust standard deviations "
        "are no ground; no unit.",
    )
    surround_um: Annotated[float, Field(ge=0, le=1000)] = Field(
        default=20.0,
        description="The level of a window's stain counts from that of the surround, at least "
        "this far off the tissue.",
    )

    @model_validator(mode="after")
    def _rising(self) -> "IntensitySettings":
        rim, ground = (self.rim_from_um, self.rim_to_um), (self.ground_from_um, self.ground_to_um)
        if rim[0] >= rim[1] or not ground[0] < ground[1] <= self.ground_to_max_um:
            raise ValueError(
                f"rim and ground must end beyond their start, got {rim} and "
                f"{(*ground, self.ground_to_max_um)}"
            )
        return self
