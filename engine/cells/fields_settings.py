"""Settings of the fields over the disc."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class FieldSettings(BaseModel):
    """How cells are smoothed into fields."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    bandwidth_um: Annotated[float, Field(gt=0, le=2000)] = Field(
        default=80.0, description="Standard deviation of the Gaussian kernel."
    )
    pixel_um: Annotated[float, Field(gt=0, le=500)] = Field(
        default=10.0, description="Side of the fields' pixels."
    )
    support_min_cells: Annotated[float, Field(ge=0, le=1000)] = Field(
        default=3.0,
        description="Cells, each by its kernel weight, below which index and direction are blank.",
    )
    support_good_cells: Annotated[float, Field(ge=0, le=1000)] = Field(
        default=8.0, description="Such cells from which the support counts as good."
    )
