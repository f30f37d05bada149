"""``disc.toml`` as objects: what the disc is, and where everything lies."""

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

FORMAT = "disc-folder/1"
ID_PATTERN = r"^[.]*[A-Za-z0-9_-][A-Za-z0-9._-]*$"
ID_LETTERS = 64
ID_EXPECTED = "1 to 64 of the letters A-Z a-z 0-9 . _ - (and not only dots)"
FrameMethod = Literal["similarity", "affine", "auto"]
Shape = Literal["sphere", "paraboloid", "cone", "pyramid"]
Beam = Literal["rectangular", "v_shaped", "ideal"]


class Table(BaseModel):
    """One table of ``disc.toml``; a field's description says what is expected there."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True, allow_inf_nan=False)


Name = Annotated[str, Field(min_length=1, max_length=200)]


class Disc(Table):
    """``[disc]``. Each field's description says what is expected."""

    id: str = Field(pattern=ID_PATTERN, max_length=ID_LETTERS, description=ID_EXPECTED)
    donor: Name = Field(description="a name for the individual the tissue came from")
    diameter_mm: float | None = Field(
        default=None, gt=0, le=1000, description="a number above 0 and at most 1000, millimetres"
    )
    group: str | None = Field(default=None, description="a text")
    measured_on: date | None = Field(default=None, description="a date such as 2026-03-14")
    note: str | None = Field(default=None, description="a text")


class Sample(Table):
    """``[sample]``."""

    poisson_ratio: float = Field(ge=0, le=0.5, description="a number from 0 to 0.5")
    thickness_um: float | None = Field(
        default=None, gt=0, le=1e6, description="a number above 0 and at most 1e6, micrometres"
    )


class Mosaic(Table):
    """``[mosaic]``."""

    file: str | None = Field(default=None, min_length=1, description="a path to an image")
    tiles: str | None = Field(default=None, min_length=1, description="a path to a table of tiles")
    pixel_size_um: float | None = Field(
        default=None, gt=0, le=1000, description="a number above 0 and at most 1000, micrometres"
    )
    channels: tuple[Name, ...] = Field(
        strict=False, min_length=1, max_length=64, description="a list of names, one a channel"
    )


class FrameTable(Table):
    """``[frame]``."""

    landmarks: str | None = Field(default=None, min_length=1, description="a path to a table")
    method: FrameMethod | None = Field(default=None, description="similarity, affine or auto")


class ProbeCalibration(Table):
    """``[probes.NAME.calibration]``: files from which sensitivity and spring constant follow."""

    stiff_curve: str | None = Field(
        default=None, min_length=1, description="a path to curves on a stiff surface"
    )
    thermal: str | None = Field(
        default=None, min_length=1, description="a path to a record or spectrum of free motion"
    )
    temperature_K: float | None = Field(
        default=None, ge=200, le=500, description="a number from 200 to 500, kelvin"
    )
    beam: Beam | None = Field(
        default=None, description="rectangular, v_shaped (a triangle of two arms) or ideal"
    )
    beam_factor: float | None = Field(
        default=None, ge=0.3, le=1.5, description="a number from 0.3 to 1.5"
    )
    tilt_deg: float | None = Field(
        default=None, ge=0, le=45, description="a number from 0 to 45, degrees"
    )
    sample_rate_Hz: float | None = Field(
        default=None, gt=0, le=1e9, description="a number above 0 and at most 1e9, hertz"
    )
    averages: int | None = Field(
        default=None, ge=1, le=10_000_000, description="a whole number from 1, spectra in the mean"
    )
    low_Hz: float | None = Field(
        default=None, ge=0, le=1e9, description="a number from 0 to 1e9, hertz"
    )
    high_Hz: float | None = Field(
        default=None, gt=0, le=1e9, description="a number above 0 and at most 1e9, hertz"
    )


class Probe(Table):
    """One table of ``[probes]``.

    For a cone or a pyramid the radius is that of the apex, where it is known. The spring constant
    may be missing only where the calibration has a thermal record.
    """

    name: str = Field(default="", description="the table's name")
    shape: Shape = Field(description="sphere, paraboloid, cone or pyramid")
    radius_um: float | None = Field(
        default=None, ge=1e-4, le=1e4, description="a number from 0.0001 to 10000, micrometres"
    )
    radius_rel_sd: float | None = Field(
        default=None, ge=0, lt=1, description="a number from 0 to below 1"
    )
    half_angle_deg: float | None = Field(
        default=None, gt=0, lt=90, description="a number between 0 and 90, both excluded, degrees"
    )
    spring_constant_N_per_m: float | None = Field(
        default=None,
        gt=0,
        le=1e4,
        description="a number above 0 and at most 10000, newtons per metre",
    )
    spring_constant_rel_sd: float | None = Field(
        default=None, ge=0, lt=1, description="a number from 0 to below 1"
    )
    sensitivity_nm_per_V: float | None = Field(
        default=None, gt=0, le=1e6, description="a number above 0 and at most 1e6, nm per volt"
    )
    sensitivity_rel_sd: float | None = Field(
        default=None, ge=0, lt=1, description="a number from 0 to below 1"
    )
    calibration: ProbeCalibration | None = Field(default=None, description="a table")

    @property
    def radius_nm(self) -> float | None:
        """The radius in nanometres."""
        return None if self.radius_um is None else self.radius_um * 1e3


class ClipTable(Table):
    """One table of ``[[clips]]``."""

    name: str = Field(
        default="", pattern=ID_PATTERN, max_length=ID_LETTERS, description=ID_EXPECTED
    )
    file: str = Field(min_length=1, description="a path to a clip")
    pixel_size_um: float | None = Field(
        default=None, gt=0, le=100, description="a number above 0 and at most 100, micrometres"
    )
    note: str | None = Field(default=None, description="a text")


class Manifest(Table):
    """The whole of ``disc.toml``."""

    format: str
    disc: Disc
    sample: Sample
    mosaic: Mosaic
    frame: FrameTable
    probes: dict[str, Probe]
    sites: str
    clips: tuple[ClipTable, ...] = ()
