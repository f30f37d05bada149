"""Settings of everything that is compared or joined across sites."""

from pydantic import BaseModel, ConfigDict, Field


class AcrossSettings(BaseModel):
    """What is compared, at which confidence, and from which size on."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    level: float = Field(
        default=0.95,
        ge=0.5,
        le=0.999,
        description="Confidence level of every interval and band (no unit).",
    )
    exact_side_count: int = Field(
        default=60,
        ge=5,
        le=200,
        description="Largest number of values a side for which the exact rank-sum distribution "
        "is used; beyond it the normal approximation is.",
    )
    caution_side_count: int = Field(
        default=4,
        ge=2,
        le=50,
        description="Fewest sites a region needs for a difference to be given without a caution.",
    )
    rank_test_count: int = Field(
        default=10,
        ge=2,
        le=100,
        description="Fewest sites a side for which the t approximation of the Brunner-Munzel "
        "test is trusted; below it the p value is flagged as approximate.",
    )
    slope_count: int = Field(
        default=10,
        ge=3,
        le=1000,
        description="Fewest points for which a slope is given without a caution.",
    )
    pairwise_slope_count: int = Field(
        default=2000,
        ge=10,
        le=10000,
        description="Most points for which the slopes of all pairs (Theil-Sen) are formed.",
    )
    join_distance_um: float = Field(
        default=100.0,
        gt=0,
        le=10000,
        description="Farthest that two sites may lie apart, in micrometres, to be joined.",
    )
    join_window_um: float = Field(
        default=100.0,
        gt=0,
        le=10000,
        description="Side of the square window, in micrometres, in which sites belong together.",
    )
