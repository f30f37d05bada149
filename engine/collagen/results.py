"""What comes back about one height image."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from engine.collagen.banding import Banding
from engine.collagen.comparability import Basis
from engine.collagen.dividing import Dividing
from engine.collagen.faults import ScanFaults
from engine.collagen.network import ThicknessSummary
from engine.collagen.orientation import OrientationField
from engine.collagen.scale import SurfaceCurves
from engine.collagen.texture import TextureResult
from engine.collagen.tip_bound import TipBound

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FibrilPieces:
    """Pieces of fibrils between apparent junctions, in the site's own frame; shape (pieces,) each.

    Attributes
    ----------
    u_nm, v_nm
        Middle of the piece from the site's centre.
    length_nm
        Path length, in projection.
    thickness_nm, thickness_se_nm
        Full lateral diameter and its standard error from the scatter along the piece; NaN where
        it could not be measured.
    angle_deg
        Director, [0, 180) from +u towards +v.
    band_period_nm, band_snr
        Axial period and its peak over background; NaN where there is none.
    thickness_radius_sd_nm
        Further standard deviation of the thickness, from the tip's radius: all pieces err by it
        together. NaN where the radius is unknown or the piece was not measured.
    """

    u_nm: Array
    v_nm: Array
    length_nm: Array
    thickness_nm: Array
    thickness_se_nm: Array
    angle_deg: Array
    band_period_nm: Array
    band_snr: Array
    thickness_radius_sd_nm: Array = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True)
class FibrilPaths:
    """Points along the pieces, one after another; shape (points,) each.

    Attributes
    ----------
    path_u_nm, path_v_nm
        Position from the site's centre.
    path_fibril
        Index of the piece.
    path_thickness_nm
        Thickness where all gates were passed, else NaN.
    """

    path_u_nm: Array
    path_v_nm: Array
    path_fibril: NDArray[np.int64]
    path_thickness_nm: Array


@dataclass(frozen=True)
class NetworkAnalysis:
    """Texture and collagen network of one height image.

    Attributes
    ----------
    levelled_nm
        Levelled heights, float32, NaN where there is no datum, shape (rows, cols).
    levelling_steps
        What was done to them, in order.
    jitter_share
        Variance of the row jitter over the variance of the levelled heights.
    texture
        ISO 25178-2 parameters of the levelled heights.
    fibrils
        One entry a piece.
    paths
        One entry a path point.
    junction_u_nm, junction_v_nm
        Apparent junctions from the site's centre, shape (junctions,).
    thickness
        Length-weighted thickness, tip dilation corrected.
    fibril_length_um
        Traced length.
    junctions_per_um2
        Density of apparent junctions.
    order, angle_site_deg
        Nematic order of the tangents, 0 to 1, and director [0, 180) from +u towards +v, corrected
        for what crossings hide.
    banding
        Axial banding.
    flags
        Names from ``engine.collagen.FLAGS``, in their order.
    basis
        What the numbers rest on, for :func:`engine.collagen.comparable`.
    levelling_Sq_nm
        Sq as measured (faults masked) and after each levelling step, shape (steps + 1,).
    levelling_options, levelling_option_Sq_nm
        What each step on its own would make of Sq (after the plane), shape (options,).
    filters
        Areal filters that were applied before the texture, with their nesting indices.
    faults
        What was masked.
    surface
        Curves behind the texture.
    orientation
        Map and reach of local orientation.
    tip_bound
        How blunt the tip can be, from the image alone.
    dividing
        Thick fibrils that divide into two thinner ones.
    """

    levelled_nm: NDArray[np.float32]
    levelling_steps: tuple[str, ...]
    jitter_share: float
    texture: TextureResult
    fibrils: FibrilPieces
    paths: FibrilPaths
    junction_u_nm: Array
    junction_v_nm: Array
    thickness: ThicknessSummary
    fibril_length_um: float
    junctions_per_um2: float
    order: float
    angle_site_deg: float
    banding: Banding
    flags: tuple[str, ...]
    basis: Basis = field(default_factory=lambda: Basis(*(float("nan"),) * 4))
    levelling_Sq_nm: Array = field(default_factory=lambda: np.zeros(0))
    levelling_options: tuple[str, ...] = ()
    levelling_option_Sq_nm: Array = field(default_factory=lambda: np.zeros(0))
    filters: tuple[str, ...] = ()
    faults: ScanFaults = field(default_factory=ScanFaults)
    surface: SurfaceCurves = field(default_factory=SurfaceCurves)
    orientation: OrientationField = field(default_factory=OrientationField)
    tip_bound: TipBound = field(
        default_factory=lambda: TipBound(float("nan"), np.zeros(0), np.zeros(0))
    )
    dividing: Dividing = field(default_factory=Dividing)
