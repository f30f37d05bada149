"""Compiled: the exponent of a contact law set free, on block means of a fit's residuals."""

import numpy as np

from ._compiled import Floats, fast, plain
from ._inspect import band_forms
from ._linear import invert_normal
from ._model import TINY, law_at, solve


@plain
def _root(
    u: float, alpha: float, extra: float, reference: float, t: float, coefficients: Floats
) -> tuple[float, float]:
    """Solve t^2 (1 + alpha Q(t) (t^2 / reference)^extra) = u; returns t and S = dF/ddelta / k."""
    s = 0.0
    for _ in range(6):
        q, dq = law_at(t, coefficients)
        factor = alpha * np.exp(extra * np.log(t * t / reference))
        s = factor * (q * (1.0 + extra) + 0.5 * t * dq)
        step = (t * t * (1.0 + factor * q) - u) / (2.0 * t * (1.0 + s))
        t = max(min(t - step, np.sqrt(u)), TINY)
        if abs(step) < 1e-5 * t:
            break
    return t, s


@plain
def _columns(
    blocks: Floats,
    theta: Floats,
    move: Floats,
    coefficients: Floats,
    reference: float,
    first_pass: bool,
    roots: Floats,
    jac: Floats,
    right: Floats,
) -> None:
    """Jacobian (blocks, 5) and residuals of the five-parameter model at ``theta + move``."""
    alpha = np.exp(theta[2] + move[2])
    for b in range(blocks.shape[0]):
        zb = blocks[b, 1]
        old = zb - theta[3]
        u = old - move[3]
        g_old = old - roots[b, 0] * roots[b, 0] if old > 0.0 else 0.0
        g = 0.0
        jac[b, 0] = 1.0
        jac[b, 1] = zb
        jac[b, 2] = 0.0
        jac[b, 3] = 0.0
        jac[b, 4] = 0.0
        if u > 0.0:
            if first_pass:
                t, s = roots[b, 0], roots[b, 1]
            else:
                t = min(roots[b, 2], np.sqrt(u)) if roots[b, 2] > TINY else np.sqrt(u)
                t, s = _root(u, alpha, move[4], reference, t, coefficients)
            roots[b, 2] = t
            g = u - t * t
            jac[b, 2] = g / (1.0 + s)
            jac[b, 3] = -s / (1.0 + s)
            jac[b, 4] = jac[b, 2] * np.log(t * t / reference)
        right[b] = blocks[b, 2] - move[0] - move[1] * zb - (g - g_old)


@fast
def _normal(blocks: Floats, jac: Floats, r: Floats, matrix: Floats, right: Floats) -> None:
    for i in range(5):
        s = 0.0
        for b in range(r.size):
            s += blocks[b, 0] * jac[b, i] * r[b]
        right[i] = s
        for j in range(i + 1):
            s = 0.0
            for b in range(r.size):
                s += blocks[b, 0] * jac[b, i] * jac[b, j]
            matrix[i, j] = s


@fast
def _settled_roots(
    blocks: Floats, theta: Floats, coefficients: Floats, work: Floats, roots: Floats
) -> None:
    """Root t and S of the finished fit at the blocks' middles."""
    n = blocks.shape[0]
    z, t, q, dq = work[0, :n], work[1, :n], work[2, :n], work[3, :n]
    for b in range(n):
        z[b] = blocks[b, 1]
        t[b] = np.sqrt(max(z[b] - theta[3], 0.0)) + TINY
    alpha = np.exp(theta[2])
    solve(z, t, q, dq, theta[3], alpha, coefficients, 4)
    for b in range(n):
        roots[b, 0] = t[b]
        roots[b, 1] = alpha * (q[b] + 0.5 * t[b] * dq[b])
        roots[b, 2] = t[b]


@plain
def _step(inverse: Floats, right: Floats, move: Floats) -> float:
    """Move along the normal equations' solution, the exponent by 0.3 at most; its whole step."""
    change = 0.0
    for j in range(5):
        change += inverse[4, j] * right[j]
    size = min(1.0, 0.3 / max(abs(change), 1e-300))
    for i in range(5):
        for j in range(5):
            move[i] += size * inverse[i, j] * right[j]
    return change


@plain
def _influence(blocks: Floats, inverse: Floats, jac: Floats, h: Floats) -> None:
    for b in range(h.size):
        h[b] = 0.0
        for i in range(5):
            h[b] += blocks[b, 0] * inverse[4, i] * jac[b, i]


@plain
def free_exponent(
    blocks: Floats,
    theta: Floats,
    coefficients: Floats,
    reference: float,
    kernels: Floats,
    work: Floats,
    result: Floats,
) -> None:
    """Exponent of the law set free.

    F is multiplied by (delta / reference)^extra; (b0, b1, ln alpha, z0, extra) are refitted. Only
    differences between two smooth models are taken at the blocks' middles, so averaging costs no
    bias.

    Parameters
    ----------
    blocks
        Counts, and means of z and residual, (n, 5); see `block_sums`.
    theta
        The finished fit.
    reference
        Largest depth of the fit.
    kernels
        Covariances of block means by lag, (bands, at least n).
    work
        Scratch of at least 6 rows of n; the first are overwritten.
    result
        Receives extra, its (J'J)^-1 and its h' K h for every band; NaN where it cannot be had.
    """
    n = blocks.shape[0]
    move = np.zeros(5)
    matrix = np.empty((5, 5))
    inverse = np.empty((5, 5))
    low = np.empty((5, 5))
    right = np.empty(5)
    roots = np.empty((n, 3))
    jac = np.empty((n, 5))
    r = work[4, :n]
    result[:] = np.nan
    _settled_roots(blocks, theta, coefficients, work, roots)
    for iteration in range(8):
        _columns(blocks, theta, move, coefficients, reference, iteration == 0, roots, jac, r)
        _normal(blocks, jac, r, matrix, right)
        if not invert_normal(matrix, 0.0, inverse, low):
            return
        change = _step(inverse, right, move)
        if abs(move[4]) > 1.4:
            return
        if abs(change) < 3e-3:
            break
    h = work[5, :n]
    _influence(blocks, inverse, jac, h)
    result[0] = move[4]
    result[1] = inverse[4, 4]
    band_forms(h, kernels, result[2:])
