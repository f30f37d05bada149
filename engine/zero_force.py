"""The surface at zero force against the surface under load, and both against the height image.

All are brought to common ground first (window, pixel, smoothing), because Sq depends on the window
and Sdq on the pixel; the numbers are therefore not those of the height image as it was taken.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from engine.collagen import (
    Basis,
    CollagenSettings,
    ImageTip,
    NetworkAnalysis,
    analyse_height,
    comparable,
    measure_surface,
    to_common_ground,
)
from engine.collagen.match import remainder
from engine.flags import Flag
from engine.force_volume import ForceVolume
from engine.maps_settings import MapsSettings

Array = NDArray[np.float64]

TOO_COARSE = Flag(
    "map_too_coarse_for_fibrils",
    "The curves lie too far apart to measure fibrils on their contact heights.",
)
FLAGS: tuple[Flag, ...] = (TOO_COARSE,)

LOADS = 21
"""Loads from zero force to the trigger at which the surface is compared with the image."""
TELLING = 1.1
"""The image tells its load where the worst load leaves this many times what the best one leaves."""
RECORDED_AT = (
    "The force at which the height image was recorded is not stated; the curves' own heights are "
    "at zero force and at the load given."
)
UNKNOWN_THICKNESS_NM = 100.0
"""Without a height image fibrils of this thickness decide whether it is worth looking."""


@dataclass(frozen=True)
class SurfaceNumbers:
    """Texture and fibrils of one surface on common ground; NaN where they could not be had.

    Attributes
    ----------
    Sa_nm, Sq_nm, Sz_nm, Ssk, Sku, Sdq, Sdr_pct, Sal_nm, Str
        ISO 25178-2.
    thickness_median_nm
        Length-weighted median of the fibrils' thickness.
    pieces
        Pieces that carry it.
    """

    Sa_nm: float
    Sq_nm: float
    Sz_nm: float
    Ssk: float
    Sku: float
    Sdq: float
    Sdr_pct: float
    Sal_nm: float
    Str: float
    thickness_median_nm: float
    pieces: int


_TEXTURE = tuple(f.name for f in fields(SurfaceNumbers))[:-2]


@dataclass(frozen=True)
class ZeroForce:
    """Surfaces of one site on common ground.

    Attributes
    ----------
    load_nN
        The load of ``loaded``: the trigger.
    zero, loaded, image
        At zero force, under the load, and the height image; None without one.
    basis
        What all three rest on.
    smoothed_nm
        Nesting index of the Gaussian that made them alike.
    image_load_nN
        Load at which the curves' surface leaves least of the height image unexplained; NaN where
        all loads explain it alike, or without an image.
    rest_zero_nm, rest_loaded_nm
        What the surface at zero force, and under the load, leaves of it (root mean square).
    noise_nm
        Median standard error of a contact height: what an even surface would show as Sq, before
        the smoothing.
    unlike
        Why these numbers must not be compared with those of the height image as it was taken.
    flags
        Names from ``FLAGS``.
    """

    load_nN: float
    zero: SurfaceNumbers
    loaded: SurfaceNumbers
    image: SurfaceNumbers | None
    basis: Basis
    smoothed_nm: float
    noise_nm: float
    image_load_nN: float
    rest_zero_nm: float
    rest_loaded_nm: float
    unlike: tuple[str, ...]
    flags: tuple[str, ...]


def compare_loads(
    volume: ForceVolume,
    network: NetworkAnalysis | None,
    tip: ImageTip | None,
    collagen: CollagenSettings,
    settings: MapsSettings,
    seed: int = 0,
) -> ZeroForce | None:
    """Measure a site's surface at zero force, at the trigger, and as the image has it.

    Parameters
    ----------
    volume
        Maps of its curves.
    network
        Analysis of its height image; None without one.
    tip
        The probe, whose dilation both the image and the contact heights carry.
    collagen
        Levelling, filters, fibrils.
    settings
        Least size of a map, and how far beyond a curve's end its law is followed.
    seed
        Of the bootstrap of thickness.

    Returns
    -------
    ZeroForce or None
        None where the map has too few points or no used curve.
    """
    zero = volume.map("contact_height_nm")
    if min(zero.shape) < settings.points_min or not np.isfinite(volume.trigger_nN):
        return None
    loaded = volume.height_at(volume.trigger_nN, settings.beyond_share)
    zero = np.where(np.isfinite(loaded), zero, np.nan)
    if not np.isfinite(zero).any():
        return None
    pixel = (volume.pixel_u_nm, volume.pixel_v_nm)
    images = [(zero, pixel), (loaded, pixel)]
    if network is not None:
        b = network.basis
        images.append((network.levelled_nm.astype(np.float64), (b.pixel_u_nm, b.pixel_v_nm)))
    ground = to_common_ground(images)
    known = np.isfinite(np.stack(ground.height_nm)).all(axis=0)
    # faults were masked where they were seen; on a coarse grid relief itself looks like a spike
    plain = collagen.model_copy(update={"mask_faults": False})
    expected = UNKNOWN_THICKNESS_NM if network is None else network.thickness.median_nm
    fine = bool(ground.pixel_nm * collagen.thin_px <= expected)
    measured = [
        _numbers(
            np.where(known, z, np.nan), ground.pixel_nm, tip if fine else None, fine, plain, seed
        )
        for z in ground.height_nm
    ]
    plain_basis = measured[0][1]
    basis = replace(plain_basis, filters=(f"S {ground.s_nm:.3g} nm", *plain_basis.filters))
    best, rest_zero, rest_loaded = _fitting_load(volume, network, settings)
    se = volume.map("contact_se_nm")
    return ZeroForce(
        load_nN=volume.trigger_nN,
        zero=measured[0][0],
        loaded=measured[1][0],
        image=measured[2][0] if network is not None else None,
        basis=basis,
        smoothed_nm=ground.s_nm,
        noise_nm=float(np.median(se[np.isfinite(se)])) if np.isfinite(se).any() else float("nan"),
        image_load_nN=best,
        rest_zero_nm=rest_zero,
        rest_loaded_nm=rest_loaded,
        unlike=() if network is None else comparable(basis, network.basis),
        flags=() if fine else (TOO_COARSE.name,),
    )


def _fitting_load(
    volume: ForceVolume, network: NetworkAnalysis | None, settings: MapsSettings
) -> tuple[float, float, float]:
    """Load that explains the image best, and what zero force and the trigger leave of it."""
    if network is None or volume.match.points == 0:
        return (float("nan"),) * 3
    image, b = network.levelled_nm.astype(np.float64), network.basis
    size = (b.window_u_nm, b.window_v_nm)
    loads = np.linspace(0.0, volume.trigger_nN, LOADS)
    common = np.isfinite(volume.height_at(volume.trigger_nN, settings.beyond_share))
    rest = np.array(
        [
            remainder(
                np.where(common, volume.height_at(float(load), settings.beyond_share), np.nan),
                image,
                size,
                volume.match,
            )
            for load in loads
        ]
    )
    if not np.isfinite(rest).all():
        return (float("nan"),) * 3
    telling = rest.max() > TELLING * rest.min()
    best = _least(loads, rest**2) if telling else float("nan")
    return best, float(rest[0]), float(rest[-1])


def _least(x: Array, y: Array) -> float:
    """Where a curve is least, by the parabola through the least point and its neighbours."""
    i = int(np.argmin(y))
    if i in (0, len(x) - 1):
        return float(x[i])
    bend = y[i - 1] - 2.0 * y[i] + y[i + 1]
    return float(x[i] + (0.5 * (y[i - 1] - y[i + 1]) / bend if bend > 0 else 0.0) * (x[1] - x[0]))


def _numbers(
    height: Array,
    pixel_nm: float,
    tip: ImageTip | None,
    fibrils: bool,
    settings: CollagenSettings,
    seed: int,
) -> tuple[SurfaceNumbers, Basis]:
    pixel = (pixel_nm, pixel_nm)
    thickness, pieces = float("nan"), 0
    if fibrils:
        found = analyse_height(height, pixel, tip, settings, seed)
        texture, basis = found.texture, found.basis
        pieces = int(np.isfinite(found.fibrils.thickness_nm).sum())
        if found.thickness.median_nm >= settings.thin_px * pixel_nm:
            thickness = found.thickness.median_nm
    else:
        surface = measure_surface(height, pixel, settings)
        texture, basis = surface.texture, surface.basis
    values = {name: float(getattr(texture, name)) for name in _TEXTURE}
    return SurfaceNumbers(**values, thickness_median_nm=thickness, pieces=pieces), basis
