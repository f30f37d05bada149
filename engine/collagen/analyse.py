"""Everything about one height image in one call."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from engine.collagen.areal_filter import filter_surface
from engine.collagen.banding import Banding, find_bands, no_banding
from engine.collagen.dividing import find_dividing
from engine.collagen.faults import find_faults
from engine.collagen.judge import SMALLEST_PX, flags_of, nothing_there
from engine.collagen.levelling import OPTIONS, Levelled, level, preview
from engine.collagen.material_ratio import material_ratio
from engine.collagen.network import (
    PieceThickness,
    junction_density,
    piece_angles,
    piece_thickness,
    summarise_thickness,
)
from engine.collagen.orientation import order_and_director, orientation_field
from engine.collagen.polynomial import subtract_polynomial
from engine.collagen.profiles import CapFits, fit_caps, on_crest
from engine.collagen.radius import RadiusTerms, eroded_by, radius_terms
from engine.collagen.results import FibrilPaths, FibrilPieces, NetworkAnalysis
from engine.collagen.ridges import fill_missing, find_ridges
from engine.collagen.scale import surface_curves
from engine.collagen.settings import CollagenSettings
from engine.collagen.surface import basis_of
from engine.collagen.texture import texture
from engine.collagen.tip import ImageTip
from engine.collagen.tip_bound import TipBound, radius_bound
from engine.collagen.traces import Traces, empty_traces, keep_pieces, trace
from engine.collagen.vibration import ScanLine, are_bands, scan_line

Array = NDArray[np.float64]

_DEFAULT = CollagenSettings()


def _validate(
    height_nm: NDArray[np.floating], pixel_nm: tuple[float, float]
) -> tuple[Array, tuple[float, float]]:
    height = np.asarray(height_nm)
    if height.ndim != 2 or height.size == 0:
        raise ValueError(f"height_nm must have shape (rows, cols), got {height.shape}")
    if not np.issubdtype(height.dtype, np.number) or np.iscomplexobj(height):
        raise TypeError(f"height_nm must be real numbers, got {height.dtype}")
    pixel = (float(pixel_nm[0]), float(pixel_nm[1]))
    if not all(np.isfinite(p) and p > 0 for p in pixel):
        raise ValueError(f"pixel_nm must be two finite numbers > 0, got {pixel_nm}")
    height = height.astype(np.float64)
    height[~np.isfinite(height)] = np.nan
    return height, pixel


def analyse_height(
    height_nm: NDArray[np.floating],
    pixel_nm: tuple[float, float],
    tip: ImageTip | None,
    settings: CollagenSettings = _DEFAULT,
    seed: int = 0,
) -> NetworkAnalysis:
    """Level a height image and measure its texture and its collagen network.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols); row 0 has the smallest v.
    pixel_nm
        Spacing along u (columns) and v (rows).
    tip
        The probe; None where nothing is known of it, then nothing is corrected.
    settings
        Every choice made.
    seed
        Of the bootstrap.

    Returns
    -------
    NetworkAnalysis
        Values that could not be had are NaN and the flags say why.

    Raises
    ------
    ValueError
        If the image is not two-dimensional or empty, or a pixel size is not positive.
    TypeError
        If the heights are not real numbers.
    """
    height, pixel = _validate(height_nm, pixel_nm)
    spoilt, faults = find_faults(height, pixel, settings)
    height[spoilt] = np.nan
    valid = np.isfinite(height)
    levelled, options_Sq_nm = level(height, settings), preview(height, settings)
    empty = nothing_there(height, valid)
    del height  # large images: nothing below wants it
    filtered, filters = filter_surface(
        levelled.height_nm, pixel, settings.s_filter_nm, settings.l_filter_nm
    )
    curve = material_ratio(filtered)
    small = bool(empty) or min(valid.shape) < SMALLEST_PX
    found = _nothing(pixel, settings) if small else _network(levelled, pixel, tip, settings)
    traces, piece = found.traces, found.piece
    result = NetworkAnalysis(
        levelled_nm=levelled.height_nm.astype(np.float32),
        levelling_steps=levelled.steps,
        jitter_share=levelled.jitter_share,
        texture=texture(filtered, pixel, levelled.Sq_plane_nm, settings, curve),
        fibrils=_pieces(traces, piece, found, valid.shape, pixel),
        paths=_paths(traces, found.caps, valid.shape, pixel),
        junction_u_nm=_centred(traces.junction_u_px, valid.shape[1], pixel[0]),
        junction_v_nm=_centred(traces.junction_v_px, valid.shape[0], pixel[1]),
        thickness=summarise_thickness(
            piece,
            traces.length_nm,
            found.radius.sd_nm,
            settings,
            seed,
            unknown_nm=found.radius.unknown_nm,
        ),
        fibril_length_um=float(traces.length_nm.sum()) / 1000.0,
        junctions_per_um2=junction_density(traces, int(valid.sum()), pixel),
        order=found.order,
        angle_site_deg=found.angle_deg,
        banding=found.banding,
        flags=(),
        basis=basis_of(valid.shape, pixel, levelled.steps, filters),
        levelling_Sq_nm=levelled.Sq_nm,
        levelling_options=OPTIONS,
        levelling_option_Sq_nm=options_Sq_nm,
        filters=filters,
        faults=faults,
        surface=surface_curves(filtered, pixel, curve),
        orientation=orientation_field(traces, found.seen_share, valid.shape, pixel, settings),
        tip_bound=found.tip_bound,
        dividing=find_dividing(traces, found.caps, valid.shape, pixel, settings, seed),
    )
    return replace(result, flags=flags_of(result, empty, valid, pixel, tip, settings))


@dataclass(frozen=True)
class _Found:
    """What tracing and measuring have found."""

    traces: Traces
    caps: CapFits
    piece: PieceThickness
    radius: RadiusTerms
    banding: Banding
    order: float
    angle_deg: float
    seen_share: float
    tip_bound: TipBound


def _nothing(pixel: tuple[float, float], settings: CollagenSettings) -> _Found:
    nan = float("nan")
    traces, caps = empty_traces(), CapFits(*(np.zeros(0) for _ in range(5)))
    piece = piece_thickness(traces, caps, settings)
    banding = no_banding(0, max(pixel) <= settings.band_pixel_max_nm)
    bound = TipBound(nan, np.zeros(0), np.zeros(0))
    return _Found(traces, caps, piece, RadiusTerms(), banding, nan, nan, nan, bound)


def _network(
    levelled: Levelled,
    pixel: tuple[float, float],
    tip: ImageTip | None,
    settings: CollagenSettings,
) -> _Found:
    height = levelled.height_nm
    filled = fill_missing(height)
    eroded = eroded_by(height, pixel, tip, settings)
    whole = fill_missing(eroded)
    traces = trace(find_ridges(subtract_polynomial(whole, 2), pixel, settings), pixel, settings)
    crest = on_crest(fit_caps(whole, traces, pixel, settings))
    share = _crest_share(traces, crest)
    # A piece that nowhere runs along a crest is a shoulder; for the order, short crests count, as
    # most of what lies across the others is seen in such pieces only.
    order, angle, seen = order_and_director(keep_pieces(traces, share > 0), settings)
    traces = keep_pieces(traces, share >= settings.crest_share)
    caps = fit_caps(eroded, traces, pixel, settings)
    piece = piece_thickness(traces, caps, settings)
    bound = radius_bound(filled, pixel, tip)
    radius = radius_terms(height, traces, piece, pixel, tip, bound, settings)
    scale = np.array(
        [np.median(traces.diameter_nm[a:b]) for a, b in _ranges(traces)], dtype=np.float64
    )
    diameter = np.where(np.isfinite(piece.thickness_nm), piece.thickness_nm, scale)
    banding = find_bands(filled, whole, traces, diameter, pixel, settings)
    line = scan_line(filled, pixel)
    if are_bands(line, banding.period_nm, angle):
        line = ScanLine()
    answered = bool(np.isfinite(banding.period_nm))
    banding = replace(
        banding,
        vibration=banding.vibration or (answered and line.ratio > 0),
        scan_line_nm=line.wave_nm,
        scan_line_ratio=line.ratio,
    )
    return _Found(traces, caps, piece, radius, banding, order, angle, seen, bound)


def _crest_share(traces: Traces, crest: NDArray[np.bool_]) -> Array:
    """Share of each piece that runs along a crest, not a shoulder of something thicker."""
    along = np.bincount(traces.piece, crest * traces.step_nm, len(traces.length_nm))
    return np.asarray(along / np.maximum(traces.length_nm, 1e-9), dtype=np.float64)


def _ranges(traces: Traces) -> list[tuple[int, int]]:
    return [(int(a), int(b)) for a, b in zip(traces.start[:-1], traces.start[1:], strict=True)]


def _centred(px: Array, count: int, pixel_nm: float) -> Array:
    return (px + 0.5 - 0.5 * count) * pixel_nm


def _pieces(
    traces: Traces,
    piece: PieceThickness,
    found: _Found,
    shape: tuple[int, ...],
    pixel: tuple[float, float],
) -> FibrilPieces:
    half = traces.length_nm[traces.piece] / 2.0
    away = np.abs(traces.arc_nm - half)
    middle = np.array([a + int(np.argmin(away[a:b])) for a, b in _ranges(traces)], dtype=np.int64)
    return FibrilPieces(
        u_nm=_centred(traces.u_px[middle], shape[1], pixel[0]),
        v_nm=_centred(traces.v_px[middle], shape[0], pixel[1]),
        length_nm=traces.length_nm,
        thickness_nm=piece.thickness_nm,
        thickness_se_nm=piece.se_nm,
        angle_deg=piece_angles(traces),
        band_period_nm=found.banding.piece_period_nm,
        band_snr=found.banding.piece_snr,
        thickness_radius_sd_nm=found.radius.piece_nm,
    )


def _paths(
    traces: Traces, caps: CapFits, shape: tuple[int, ...], pixel: tuple[float, float]
) -> FibrilPaths:
    return FibrilPaths(
        path_u_nm=_centred(traces.u_px, shape[1], pixel[0]),
        path_v_nm=_centred(traces.v_px, shape[0], pixel[1]),
        path_fibril=traces.piece,
        path_thickness_nm=caps.thickness_nm,
    )
