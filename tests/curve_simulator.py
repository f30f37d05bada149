"""Force curves from first principles, for tests: contact solved along the drive by bisection."""

import numpy as np

from engine.mechanics import Tip, contact_force


def pink(rng, shape, amplitude):
    """Noise of two-sided density amplitude / |f|, f in cycles a sample, in the last axis."""
    n = shape[-1]
    long = 1 << int(np.ceil(np.log2(8 * n)))
    white = rng.standard_normal((*shape[:-1], long))
    f = np.fft.rfftfreq(long)
    f[0] = f[1]
    out = np.fft.irfft(np.fft.rfft(white, axis=-1) * np.sqrt(amplitude / f), long, axis=-1)
    return out[..., :n]


def ar1(rng, shape, rho, sigma):
    """First-order autoregressive noise of standard deviation sigma in the last axis."""
    out = rng.standard_normal(shape)
    for i in range(1, shape[-1]):
        out[..., i] = rho * out[..., i - 1] + np.sqrt(1 - rho**2) * out[..., i]
    return sigma * out


def exact_push(u, modulus_kPa, k, tip, nu, force=contact_force):
    """Deflection (nm) at drives u beyond contact: delta + F(delta) / k = u, bisected to the end."""
    reduced = modulus_kPa * 1e-6 / (1 - nu**2)
    low, high = np.zeros_like(u), np.maximum(u, 0.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        under = middle + reduced * force(middle, tip) / k < u
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.maximum(u, 0.0) - 0.5 * (low + high)


def curves(
    count,
    samples,
    *,
    modulus_kPa=300.0,
    tip=Tip("sphere", 5000.0),  # noqa: B008
    k=0.8,
    nu=0.5,
    drive_nm=3000.0,
    depth_share=0.3,
    white_nm=0.15,
    seed=0,
    force=contact_force,
):
    """z (samples,), d (count, samples), contacts (count,): equal curves, each its own noise."""
    rng = np.random.default_rng(seed)
    z = np.linspace(0.0, drive_nm, samples)
    contact = drive_nm * (1 - depth_share) + rng.uniform(-0.02, 0.02, count) * drive_nm
    d = exact_push(z - contact[:, None], modulus_kPa, k, tip, nu, force)
    if white_nm:
        d = d + white_nm * rng.standard_normal(d.shape)
    return z, d, contact
