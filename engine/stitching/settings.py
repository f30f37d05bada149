"""Settings of stitching: how tiles are registered, evened out and blended."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class StitchingSettings(BaseModel):
    """Every figure that the place of a tile or the value of a blended pixel hangs on.

    Lengths are in pixels of the tiles. Defaults follow the project's own trials on simulated
    tissue; where no trial is named, they are conventions without a source.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    inner_sigma_px: Annotated[float, Field(gt=0, le=100)] = Field(
        default=5.0, description="Inner Gaussian of the band-pass that tiles are compared through."
    )
    outer_sigma_px: Annotated[float, Field(gt=0, le=200)] = Field(
        default=8.0, description="Outer Gaussian of that band-pass."
    )
    search_px: Annotated[int, Field(ge=2, le=1000)] = Field(
        default=40, description="Largest error of a nominal offset that is looked for."
    )
    correlation_min: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.12,
        description="Least normalised correlation of an overlap for a link; no unit.",
    )
    peak_ratio_min: Annotated[float, Field(ge=1, le=100)] = Field(
        default=1.3,
        description="Least height of the best peak over the second best for a link; no unit.",
    )
    signal_min: Annotated[float, Field(ge=0, le=1000)] = Field(
        default=6.0,
        description="Least brightness of the brightest structure in an overlap over the noise, "
        "both band-passed: two strips of noise correlate by chance; no unit.",
    )
    structures_min: Annotated[float, Field(ge=0, le=1000)] = Field(
        default=1.5,
        description="Least number of nuclei, or their like, that a correlation must rest on: any "
        "one nucleus looks like any other; no unit.",
    )
    overlap_min_px: Annotated[int, Field(ge=4, le=10000)] = Field(
        default=16, description="Narrower nominal overlaps are not compared."
    )
    side_share_min: Annotated[float, Field(gt=0, le=1)] = Field(
        default=0.5,
        description="Least share of a tile's side that an overlap must run along; no unit.",
    )
    link_sd_px: Annotated[float, Field(gt=0, le=10)] = Field(
        default=0.3, description="Standard error expected of a link."
    )
    cauchy_px: Annotated[float, Field(gt=0, le=100)] = Field(
        default=1.0, description="Residual at which a link counts half (Cauchy's weight)."
    )
    stage_sd_px: Annotated[float, Field(gt=0, le=10000)] = Field(
        default=100.0,
        description="Standard deviation of the nominal positions: the weak hold that decides only "
        "where links say nothing.",
    )
    habit_sd_min_px: Annotated[float, Field(gt=0, le=1000)] = Field(
        default=3.0,
        description="Least standard deviation given to the offset that neighbours without a link "
        "are assumed to share with the linked ones of the same direction.",
    )
    consistent_px: Annotated[float, Field(gt=0, le=100)] = Field(
        default=2.0, description="A link whose residual is larger is called inconsistent."
    )
    links_min: Annotated[int, Field(ge=1, le=8)] = Field(
        default=2, description="A tile with fewer consistent links is flagged as weakly linked."
    )
    flat_tiles_min: Annotated[int, Field(ge=2, le=10000)] = Field(
        default=9, description="With fewer tiles no flat field is estimated: the scene would be."
    )
    flat_tiles_max: Annotated[int, Field(ge=2, le=10000)] = Field(
        default=100, description="Of more tiles than these, evenly spread ones are looked at."
    )
    flat_pairs_max: Annotated[int, Field(ge=0, le=10000)] = Field(
        default=80, description="Overlaps that are looked at for the flat field, evenly spread."
    )
    flat_degree: Annotated[int, Field(ge=1, le=6)] = Field(
        default=4, description="Degree of the polynomial that the flat field's logarithm follows."
    )
    rows_at_once: Annotated[int, Field(ge=16, le=65536)] = Field(
        default=512, description="Rows of the mosaic that are blended together; bounds the memory."
    )


_NUCLEI_UM = 3.25
"""Inner Gaussian that suits nuclei of 6 to 10 um, micrometres: five pixels of 0.65 um."""
_NARROWEST_PX = 3.0
"""A narrower one lets too much noise through: on simulated tiles it lost links."""
_OUTER = 1.6


def settings_for_pixel(pixel_um: float) -> StitchingSettings:
    """Default settings, with a narrower band-pass where pixels are coarser than 0.65 um.

    Parameters
    ----------
    pixel_um
        Pixel size.

    Examples
    --------
    >>> settings_for_pixel(1.0).inner_sigma_px
    3.25
    """
    usual = StitchingSettings()
    inner = min(usual.inner_sigma_px, max(_NARROWEST_PX, _NUCLEI_UM / pixel_um))
    return usual.model_copy(update={"inner_sigma_px": inner, "outer_sigma_px": _OUTER * inner})
