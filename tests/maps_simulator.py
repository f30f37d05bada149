"""Force volumes over a known surface: every curve's contact lies where the surface is."""

from dataclasses import dataclass

import numpy as np
from curve_simulator import pink
from scipy import ndimage

from engine.footprint import Footprint
from engine.mechanics import Tip, contact_force, fit_curves

TIP = Tip("paraboloid", 20.0)
K, NU, TRIGGER_NN = 0.3, 0.5, 2.0
SIZE_UM = 3.0


def footprint(size_um=SIZE_UM):
    return Footprint(np.zeros(2), np.array([1.0, 0.0]), np.array([0.0, 1.0]), size_um, size_um)


def surface(rows, cols, size_nm=1e3 * SIZE_UM, du_nm=0.0, dv_nm=0.0, pixels=False):
    """Fibrils as waves along two directions and a bump, nm; on points edge to edge, or pixels."""
    half = 0.5 * size_nm
    if pixels:
        u = ((np.arange(cols) + 0.5) / cols - 0.5) * size_nm
        v = ((np.arange(rows) + 0.5) / rows - 0.5) * size_nm
    else:
        u, v = np.linspace(-half, half, cols), np.linspace(-half, half, rows)
    u, v = np.meshgrid(u - du_nm, v - dv_nm)
    waves = 60 * np.cos(2 * np.pi * (0.9 * u + 0.3 * v) / 700) + 25 * np.cos(2 * np.pi * v / 450)
    return waves + 120 * np.exp(-((u - 400) ** 2 + (v + 500) ** 2) / 300**2)


def closed_depth_nm(load_nN, modulus_kPa):
    """Hertz 1882 for a paraboloid, solved for the depth, nm."""
    reduced = modulus_kPa * 1e-6 / (1 - NU**2)
    return (3 * load_nN / (4 * reduced * np.sqrt(TIP.radius_nm))) ** (2 / 3)


@dataclass(frozen=True)
class Taken:
    z_nm: np.ndarray
    d_nm: np.ndarray
    height_nm: np.ndarray
    modulus_kPa: np.ndarray


def take(height_nm, modulus_kPa, *, samples=128, white_nm=0.15, flicker=2e-4, seed=0, drift_nm=0.0):
    """Curves of a map up to the trigger, with a tilted baseline, white and 1/f noise.

    ``drift_nm`` raises the sample steadily while the map is taken row by row.
    """
    rng = np.random.default_rng(seed)
    rows = len(height_nm)
    modulus = np.broadcast_to(modulus_kPa, height_nm.shape).ravel()
    sample = height_nm + drift_nm * np.linspace(-0.5, 0.5, rows)[:, None] ** 3 * 4
    contact = 2000.0 - sample.ravel()
    end = contact + closed_depth_nm(TRIGGER_NN, modulus) + TRIGGER_NN / K
    z = end[:, None] + 400.0 * (np.arange(1, samples + 1) / samples - 1.0)
    u = np.maximum(z - contact[:, None], 0.0)
    depth = np.linspace(0.0, 1.0, 600) ** 2
    d = np.zeros_like(u)
    for i, e in enumerate(modulus):
        deep = depth * 1.3 * closed_depth_nm(TRIGGER_NN, e)
        push = e * 1e-6 / (1 - NU**2) * contact_force(deep, TIP) / K
        d[i] = np.interp(u[i], deep + push, push)
    d += 3.0 + 0.002 * (z - z[:, :1]) + white_nm * rng.standard_normal(d.shape)
    d += pink(rng, d.shape, flicker)
    return Taken(z, d, height_nm, modulus.reshape(height_nm.shape))


def way_back(taken, adhesion_nN, reach_nm=24.0):
    """Retract z and deflection: the approach backwards, and a pull that grows and gives way."""
    contact = 2000.0 - taken.height_nm.ravel()[:, None]
    z, d = taken.z_nm[:, ::-1], taken.d_nm[:, ::-1].copy()
    share = (contact - z) / reach_nm
    pull = np.broadcast_to(adhesion_nN, taken.height_nm.shape).reshape(-1, 1) / K
    return z, d - pull * np.where((share > 0) & (share < 1), np.minimum(3 * share, 1.0), 0.0)


def fitted(taken):
    return fit_curves(taken.z_nm, taken.d_nm, tip=TIP, spring_constant_N_per_m=K, poisson_ratio=NU)


def blurred(height_nm, sigma):
    return ndimage.gaussian_filter(height_nm, sigma)
