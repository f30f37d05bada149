"""Settings of the cells part: every threshold that a count or a grade hangs on."""

from itertools import pairwise
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from engine.cells.fields_settings import FieldSettings
from engine.cells.intensity_settings import IntensitySettings


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class DetectionSettings(_Frozen):
    """How nuclei are found."""

    small_diameter_um: Annotated[float, Field(gt=0, le=100)] = Field(
        default=6.5, description="Nuclear diameter the finer band-pass is tuned to."
    )
    large_diameter_um: Annotated[float, Field(gt=0, le=100)] = Field(
        default=9.5, description="Nuclear diameter the coarser band-pass is tuned to."
    )
    outer_ratio: Annotated[float, Field(gt=1, le=4)] = Field(
        default=1.6, description="Outer over inner Gaussian width of the band-pass; no unit."
    )
    peak_radius_um: Annotated[float, Field(gt=0, le=50)] = Field(
        default=2.5, description="A nucleus is the highest response within this distance."
    )
    noise_floor_sd: Annotated[float, Field(gt=0, le=50)] = Field(
        default=5.0,
        description="Responses below this many standard deviations of the pixel noise, propagated "
        "through the filter, are not looked at.",
    )
    edge_scale_um: Annotated[float, Field(gt=0, le=10)] = Field(
        default=1.0, description="Gaussian smoothing before brightness profiles are read."
    )
    profile_reach_um: Annotated[float, Field(gt=1, le=50)] = Field(
        default=8.0, description="Length of the brightness profiles from a candidate's centre."
    )
    sharpness_min_per_um: Annotated[float, Field(ge=0, le=5)] = Field(
        default=0.205,
        description="Steepest fall of the profile over its contrast; less is out of focus (haze).",
    )
    narrow_radius_min_um: Annotated[float, Field(ge=0, le=20)] = Field(
        default=1.95,
        description="Half-width at half contrast across the narrow side; less is debris or fibre.",
    )
    contrast_floor_share: Annotated[float, Field(ge=0, lt=1)] = Field(
        default=0.18,
        description="Candidates fainter than this share of a typical sharp nucleus are not "
        "counted; no unit.",
    )
    threshold_factors: tuple[float, float, float] = Field(
        default=(0.7, 1.0, 1.4),
        description="Factors on the contrast floor at which nuclei are also counted, so that the "
        "count's dependence on it is seen; no unit.",
    )
    haze_share_min: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.05,
        description="From this share of blurred candidates on the image is taken to hold haze; "
        "no unit.",
    )
    crowded_share_min: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.25,
        description="Without haze, from this share of candidates nearer to the next than "
        "crowded_distance_ratio diameters, touching nuclei are split by watershed; no unit.",
    )
    crowded_distance_ratio: Annotated[float, Field(gt=0, le=5)] = Field(
        default=1.4, description="Distance to the next candidate over the diameter; no unit."
    )
    crowded_level_share: Annotated[float, Field(gt=0, le=2)] = Field(
        default=0.55, description="Foreground starts at this share of Otsu's threshold; no unit."
    )
    watershed_smoothing_um: Annotated[float, Field(gt=0, le=20)] = Field(
        default=0.8,
        description="Gaussian smoothing of the distance transform before the watershed.",
    )
    background_radius_um: Annotated[float, Field(gt=0, le=200)] = Field(
        default=15.0,
        description="Reach of the local background that is taken off before the watershed.",
    )
    block_px: Annotated[int, Field(ge=64, le=16384)] = Field(
        default=2048, description="Side of the blocks an image is worked through in, pixels."
    )

    @model_validator(mode="after")
    def _ordered(self) -> "DetectionSettings":
        low, mid, high = self.threshold_factors
        if not 0 < low < mid < high:
            raise ValueError(f"threshold_factors must rise from above 0, got {low}, {mid}, {high}")
        if self.large_diameter_um < self.small_diameter_um:
            raise ValueError(
                f"large_diameter_um ({self.large_diameter_um}) must not be below "
                f"small_diameter_um ({self.small_diameter_um})"
            )
        return self


class OutlineSettings(_Frozen):
    """How the tissue is told from its surround."""

    cell_um: Annotated[float, Field(gt=0, le=500)] = Field(
        default=10.0, description="Side of the squares the image is reduced to."
    )
    separation_min: Annotated[float, Field(ge=0, le=50)] = Field(
        default=4.5,
        description="Distance of the mean brightness of tissue and surround over their pooled "
        "standard deviation below which no outline is given; no unit.",
    )
    solidity_min: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.85, description="Area over convex area below which no outline is given; no unit."
    )


class GraphSettings(_Frozen):
    """Which cells are neighbours."""

    cut_ratio: Annotated[float, Field(gt=1, le=10)] = Field(
        default=1.6,
        description="Edges longer than this times the regional spacing are cut; no unit.",
    )
    bridge_ratio: Annotated[float, Field(ge=0, le=10)] = Field(
        default=2.5,
        description="A longer edge, up to this times the regional spacing, is kept where it "
        "continues a file across one missing cell; no unit.",
    )
    bridge_spacing_ratio_max: Annotated[float, Field(ge=1, le=100)] = Field(
        default=1.6,
        description="Such an edge is kept where the regional spacing is at most this multiple of "
        "the disc's tight regions; no unit.",
    )
    bridge_lateral_max: Annotated[float, Field(ge=0, le=5)] = Field(
        default=0.25,
        description="Largest RMS distance from one line of the cells on both sides of such a gap, "
        "in spacings.",
    )
    spacing_ratio_max: Annotated[float, Field(ge=1, le=100)] = Field(
        default=1.3,
        description="The regional spacing counts up to this multiple of the disc's tight regions; "
        "no unit.",
    )
    tight_quantile: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.2, description="Quantile of the regional spacing that stands for tight regions."
    )
    region_cells: Annotated[int, Field(ge=3, le=1000)] = Field(
        default=40, description="Cells over which the regional spacing is taken."
    )
    field_cells: Annotated[int, Field(ge=3, le=10000)] = Field(
        default=120,
        description="Cells over which it is judged whether there are groups at all.",
    )


class RuleSettings(_Frozen):
    """The ordered rules that name a group's arrangement; lengths in units of the spacing."""

    smallest_group_cells: Annotated[int, Field(ge=1, le=10)] = Field(
        default=3, description="Fewer linked cells than this are diffuse."
    )
    scattered_density_min: Annotated[float, Field(ge=0, le=2)] = Field(
        default=0.22,
        description="Cells per squared spacing from which linked cells may be scattered ones that "
        "are merely many; no unit.",
    )
    scattered_grain_min: Annotated[float, Field(ge=1, le=100)] = Field(
        default=1.4,
        description="Spacing round such cells over that of the disc's tight regions from which "
        "they are diffuse; no unit.",
    )
    field_isolation_max: Annotated[float, Field(ge=0, le=20)] = Field(
        default=4.0,
        description="Gap to other cells over the distance within, below which a group may be a "
        "mere field of cells; no unit.",
    )
    field_region_isolation_max: Annotated[float, Field(ge=0, le=20)] = Field(
        default=2.35,
        description="The same over the cells round the group, below which it is one, and diffuse; "
        "no unit.",
    )
    string_lateral_max: Annotated[float, Field(gt=0, le=5)] = Field(
        default=0.25, description="A string's largest RMS distance from its axis, in spacings."
    )
    string_elongation_min: Annotated[float, Field(gt=0, le=100)] = Field(
        default=4.0, description="A string's smallest ratio of its principal axes; no unit."
    )
    double_cells_min: Annotated[int, Field(ge=4, le=50)] = Field(
        default=5, description="A double string's fewest cells."
    )
    double_separation_min: Annotated[float, Field(ge=0, le=10)] = Field(
        default=0.6, description="Smallest distance of the two axes, in spacings."
    )
    double_separation_max: Annotated[float, Field(gt=0, le=10)] = Field(
        default=1.5, description="Largest distance of the two axes, in spacings."
    )
    double_smaller_share_min: Annotated[float, Field(ge=0, le=0.5)] = Field(
        default=0.25, description="Smallest share of the cells in the smaller file; no unit."
    )
    double_lateral_max: Annotated[float, Field(gt=0, le=5)] = Field(
        default=0.3,
        description="A long double string's largest RMS distance from its two axes, in spacings.",
    )
    double_length_min: Annotated[float, Field(ge=0, le=100)] = Field(
        default=2.8, description="A long double string's smallest length, in spacings."
    )
    double_length_over_width_min: Annotated[float, Field(ge=0, le=100)] = Field(
        default=2.25, description="A long double string's smallest length over width; no unit."
    )
    short_double_lateral_max: Annotated[float, Field(gt=0, le=5)] = Field(
        default=0.08,
        description="A short double string's largest RMS distance from its two axes, in spacings.",
    )
    short_double_file_min: Annotated[float, Field(ge=0, le=100)] = Field(
        default=1.8, description="Smallest length of its shorter file, in spacings."
    )
    short_double_uneven_max: Annotated[float, Field(gt=0, le=10)] = Field(
        default=0.32,
        description="Largest RMS departure of the steps along its files from one spacing, in "
        "spacings.",
    )
    small_cluster_cells_max: Annotated[int, Field(ge=3, le=1000)] = Field(
        default=8,
        description="A small cluster's most cells (a convention of the trade, no source).",
    )


class ConfidenceSettings(_Frozen):
    """How sure a grade is."""

    replicates: Annotated[int, Field(ge=0, le=1000)] = Field(
        default=10, description="How often the grade is repeated on disturbed positions."
    )
    dropped_share: Annotated[float, Field(ge=0, lt=1)] = Field(
        default=0.08, description="Share of the cells left out of each repetition; no unit."
    )
    jitter_um: Annotated[float, Field(ge=0, le=50)] = Field(
        default=0.8, description="Standard deviation of the shift of each cell along x and y."
    )
    full_margin: Annotated[float, Field(gt=0, le=10)] = Field(
        default=0.15,
        description="Distance from the deciding threshold (natural logarithm of value over "
        "threshold) from which it takes nothing off the confidence; no unit.",
    )
    on_threshold: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.8,
        description="Factor on the confidence of a group that stands on a threshold; no unit. "
        "With this one a confidence from one half on is the share that is right, in simulations.",
    )
    ambiguous_below: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.6, description="Confidence below which a group is called ambiguous; no unit."
    )


class WindowSettings(_Frozen):
    """The square window round a site."""

    sides_um: tuple[float, ...] = Field(
        default=(100.0, 200.0, 300.0),
        description="Sides tried in this order until the window holds enough cells.",
    )
    cells_min: Annotated[int, Field(ge=1, le=1000)] = Field(
        default=3, description="Fewer cells than this in the largest window: no pattern."
    )
    shifts: Annotated[int, Field(ge=0, le=2000)] = Field(
        default=64,
        description="Shifted places at which a window is graded again, spread evenly over the "
        "error of the site's place; 0 leaves that out.",
    )
    border_below: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.8,
        description="A site is near a border between patterns where a smaller share of the shifted "
        "windows keeps its pattern (a convention, no source); no unit.",
    )

    @model_validator(mode="after")
    def _rising(self) -> "WindowSettings":
        sides = self.sides_um
        if not sides or sides[0] <= 0 or any(b <= a for a, b in pairwise(sides)):
            raise ValueError(f"sides_um must rise from above 0, got {sides}")
        return self


class HandSettings(_Frozen):
    """How corrections by hand meet the computed cells."""

    reach_um: Annotated[float, Field(gt=0, le=50)] = Field(
        default=3.0,
        description="A removal takes the nearest computed cell within this distance; a cell added "
        "within it of a computed one is that one (about half a nucleus, a convention).",
    )


class CellsSettings(_Frozen):
    """All settings of the cells part."""

    detection: DetectionSettings = DetectionSettings()
    outline: OutlineSettings = OutlineSettings()
    graph: GraphSettings = GraphSettings()
    rules: RuleSettings = RuleSettings()
    confidence: ConfidenceSettings = ConfidenceSettings()
    windows: WindowSettings = WindowSettings()
    fields: FieldSettings = FieldSettings()
    intensities: IntensitySettings = IntensitySettings()
    by_hand: HandSettings = HandSettings()
