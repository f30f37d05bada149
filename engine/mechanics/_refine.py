"""Compiled: maximum likelihood of deflection against drive position, damped Gauss-Newton.

The depth's root t is kept for each sample between steps, so that one Newton sweep a step suffices.
"""

import numpy as np

from ._compiled import Floats, plain
from ._linear import invert_normal
from ._model import MARGIN, accumulate, contact_sums, law, settle

STEP_CAP = 0.7
STOP_SE = 0.01


@plain
def _unpack(acc: Floats, matrix: Floats) -> None:
    k = 0
    for i in range(4):
        for j in range(i, 4):
            matrix[i, j] = acc[k]
            matrix[j, i] = acc[k]
            k += 1


@plain
def _evaluate(
    z: Floats,
    d: Floats,
    t: Floats,
    q: Floats,
    dq: Floats,
    first: int,
    theta: Floats,
    coefficients: Floats,
    sweeps: int,
    pre: Floats,
    acc: Floats,
) -> None:
    """Roots, Jacobian and normal equations at ``theta`` from sample ``first`` on."""
    zs, ts, qs, dqs = z[first:], t[first:], q[first:], dq[first:]
    settle(zs, ts, qs, dqs, theta[3], np.exp(theta[2]), coefficients, sweeps)
    law(ts, coefficients, qs, dqs)
    accumulate(zs, d[first:], ts, qs, dqs, theta, pre, acc)


@plain
def _direction(acc: Floats, damping: float, matrix: Floats, inverse: Floats, step: Floats) -> float:
    """Step of the damped normal equations; returns the damping it took, or -1 if none helps."""
    _unpack(acc, matrix)
    while not invert_normal(matrix, damping, inverse):
        damping = max(10.0 * damping, 1e-6)
        if damping > 1e6:
            return -1.0
    for i in range(4):
        step[i] = 0.0
        for j in range(4):
            step[i] += inverse[i, j] * acc[10 + j]
    return damping


@plain
def _propose(theta: Floats, step: Floats, lowest: float, span: float, new: Floats) -> None:
    """Take the step, shortened so that neither modulus nor contact moves too far at once."""
    scale = min(1.0, STEP_CAP / max(abs(step[2]), 1e-300))
    scale = min(scale, 0.25 * span / max(abs(step[3]), 1e-300))
    for i in range(4):
        new[i] = theta[i] + scale * step[i]
    new[3] = max(new[3], lowest)


@plain
def refine(
    z: Floats,
    d: Floats,
    t: Floats,
    q: Floats,
    dq: Floats,
    theta: Floats,
    coefficients: Floats,
    limit: int,
    stop_log: float,
    inverse: Floats,
    info: Floats,
) -> None:
    """Damped Gauss-Newton from ``theta``, which is overwritten by the solution.

    Parameters
    ----------
    z, d
        The curve (n,), scaled, in the order taken.
    t, q, dq
        Scratch (n,); ``t`` is reset here. On return ``q`` and ``dq`` hold the third and fourth
        column of the Jacobian from sample ``info[1]`` on.
    theta
        b0, b1, ln alpha, z0.
    limit
        Most steps.
    stop_log
        Step of ln alpha at which the fit has converged; or one hundredth of its standard error.
    inverse
        Receives (J'J)^-1, (4, 4).
    info
        Receives the residual sum of squares, the first sample not summed in advance, whether it
        converged, and the number of steps.
    """
    n = z.size
    span = abs(z[n - 1] - z[0])
    pre = np.zeros(6)
    acc = np.zeros(15)
    trial = np.zeros(15)
    matrix = np.zeros((4, 4))
    step = np.zeros(4)
    new = np.zeros(4)
    t[:] = 1.0
    info[2] = 0.0
    first = contact_sums(z, d, theta[3], span, pre)
    safe = theta[3] - MARGIN * span
    _evaluate(z, d, t, q, dq, first, theta, coefficients, 4, pre, acc)
    damping = 0.0
    for iteration in range(limit):
        info[3] = iteration + 1.0
        damping = _direction(acc, damping, matrix, inverse, step)
        if damping < 0.0:
            break
        _propose(theta, step, z[0] - 0.2 * span, span, new)
        sweeps = 1 if damping == 0.0 else 2
        if new[3] < safe:
            first = contact_sums(z, d, new[3], span, pre)
            safe = new[3] - MARGIN * span
            sweeps = 4
        _evaluate(z, d, t, q, dq, first, new, coefficients, sweeps, pre, trial)
        moved = abs(new[2] - theta[2])
        error = STOP_SE * np.sqrt(max(inverse[2, 2] * trial[14], 0.0) / max(n - 4, 1))
        done = moved < max(stop_log, error)
        # t lags a step behind, so two sums may differ by that much without meaning anything
        if trial[14] <= acc[14] * (1.0 + (1e-4 if moved < 0.02 else 1e-9)):
            theta[:] = new
            acc[:] = trial
            damping = 0.0 if damping < 1e-5 else 0.1 * damping
            if done and damping == 0.0:
                info[2] = 1.0
                break
        else:
            damping = max(10.0 * damping, 1e-3)
            _evaluate(z, d, t, q, dq, first, theta, coefficients, 3, pre, acc)
    _unpack(acc, matrix)
    if not invert_normal(matrix, 0.0, inverse):
        info[2] = 0.0
    info[0] = acc[14]
    info[1] = first
