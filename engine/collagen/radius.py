"""What the tip's radius does to thickness: measured again with another radius."""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from engine.collagen.network import PieceThickness, piece_thickness
from engine.collagen.profiles import fit_caps
from engine.collagen.settings import CollagenSettings
from engine.collagen.tip import ImageTip, erode
from engine.collagen.tip_bound import TipBound
from engine.collagen.traces import Traces

Array = NDArray[np.float64]

_SAFELY = 1.2  # the bound itself was up to a sixth too sharp on invented networks


@dataclass(frozen=True)
class RadiusTerms:
    """What the tip's radius does to all thicknesses alike, nanometres.

    Attributes
    ----------
    sd_nm
        Typical change of a thickness for one standard deviation of the radius.
    unknown_nm
        Where the radius is unknown: how much thinner all would be under the bluntest tip that the
        image allows.
    piece_nm
        Change of each piece for one standard deviation, NaN where it was not measured both times
        or the radius is unknown, shape (pieces,).
    """

    sd_nm: float = 0.0
    unknown_nm: float = 0.0
    piece_nm: Array = field(default_factory=lambda: np.zeros(0))


def eroded_by(
    height_nm: Array,
    pixel_nm: tuple[float, float],
    tip: ImageTip | None,
    settings: CollagenSettings,
) -> Array:
    """Take the dilation back where anything is known of the tip.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    tip
        The probe.
    settings
        ``thickness_max_nm``: flanks deeper than this are not corrected.

    Returns
    -------
    numpy.ndarray
        Same shape; the heights themselves where nothing is known.
    """
    if tip is None or not tip.corrects:
        return height_nm
    return erode(height_nm, pixel_nm, tip, settings.thickness_max_nm, between=True)


def radius_terms(
    height_nm: Array,
    traces: Traces,
    piece: PieceThickness,
    pixel_nm: tuple[float, float],
    tip: ImageTip | None,
    bound: TipBound,
    settings: CollagenSettings,
) -> RadiusTerms:
    """Measure thickness again: one standard deviation up, or as blunt as the image allows.

    Parameters
    ----------
    height_nm
        Levelled heights, NaN where there is no datum, shape (rows, cols).
    traces
        Paths.
    piece
        Thickness of the pieces with the radius as stated.
    pixel_nm
        Spacing along u and v.
    tip
        The probe.
    bound
        How blunt it can be, from the image.
    settings
        ``radius_rel_sd`` where the probe states none.

    Returns
    -------
    RadiusTerms
        Zero where there is nothing to compare with.
    """
    unknown = tip is None or tip.radius_nm is None
    known = tip if tip is not None else ImageTip("paraboloid")
    nothing = np.full(len(piece.thickness_nm), np.nan if unknown else 0.0)
    if unknown:
        radius = _SAFELY * bound.radius_nm
    else:
        stated = known.radius_rel_sd
        share = settings.radius_rel_sd if stated is None else stated
        radius = float(known.radius_nm or 0.0) * (1.0 + share)
    if not radius > 0 or radius == known.radius_nm:
        return RadiusTerms(piece_nm=nothing)
    other = replace(known, radius_nm=radius)
    caps = fit_caps(eroded_by(height_nm, pixel_nm, other, settings), traces, pixel_nm, settings)
    change = piece_thickness(traces, caps, settings).thickness_nm - piece.thickness_nm
    some = change[np.isfinite(change)]
    middle = float(np.median(some)) if some.size else 0.0
    if unknown:
        return RadiusTerms(unknown_nm=max(-middle, 0.0), piece_nm=nothing)
    return RadiusTerms(abs(middle), piece_nm=np.abs(change))
