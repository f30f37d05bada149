"""Compiled: maximum likelihood of deflection against drive position, damped Gauss-Newton.

The depth's root t is kept for each sample between steps, so that one Newton sweep a step suffices.
"""

import numpy as np

from ._compiled import Floats, plain
from ._linear import copy_to, invert_normal
from ._model import MARGIN, accumulate, contact_sums, solve

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
    solve(zs, ts, qs, dqs, theta[3], np.exp(theta[2]), coefficients, sweeps)
    accumulate(zs, d[first:], ts, qs, dqs, theta, pre, acc)


@plain
def _direction(
    acc: Floats, damping: float, matrix: Floats, inverse: Floats, low: Floats, step: Floats
) -> float:
    """Step of the damped normal equations; returns the damping it took, or -1 if none helps."""
    _unpack(acc, matrix)
    while not invert_normal(matrix, damping, inverse, low):
        damping = max(10.0 * damping, 1e-6)
        if damping > 1e6:
            return -1.0
    for i in range(4):
        step[i] = 0.0
        for j in range(4):
            step[i] += inverse[i, j] * acc[10 + j]
    return damping


@plain
def _propose(
    theta: Floats, step: Floats, lowest: float, span: float, longest: float, new: Floats
) -> None:
    """Take the step, shortened so that neither modulus nor contact moves too far at once."""
    scale = min(longest, STEP_CAP / max(abs(step[2]), 1e-300))
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
    small: Floats,
    square: Floats,
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
    small, square
        Scratch (44,) and (2, 4, 4).
    """
    n = z.size
    span = abs(z[n - 1] - z[0])
    pre, acc, trial = small[:6], small[6:21], small[21:36]
    step, new = small[36:40], small[40:44]
    matrix, low = square[0], square[1]
    t[:] = 1.0
    info[2] = 0.0
    copy_to(new, theta)
    safe = np.inf
    first = 0
    acc[14] = np.inf
    damping = 0.0
    moved = np.inf
    before = 1e-12
    sweeps = 4
    again = True
    # written so that the model is evaluated in one place only: it is most of the compiled code
    for iteration in range(limit + 1):
        info[3] = iteration
        if new[3] < safe:
            first = contact_sums(z, d, new[3], span, pre)
            safe = new[3] - MARGIN * span
            sweeps = 4
        _evaluate(z, d, t, q, dq, first, new, coefficients, sweeps, pre, trial)
        # t lags a step behind, so two sums may differ by that much without meaning anything
        if again or trial[14] <= acc[14] * (1.0 + (1e-4 if moved < 0.02 else 1e-9)):
            # a sum that still falls steeply says nothing of the noise yet
            steady = 1.0 if trial[14] > 0.9 * acc[14] else 0.0
            copy_to(theta, new)
            copy_to(acc, trial)
            error = steady * STOP_SE * np.sqrt(max(inverse[2, 2] * acc[14], 0.0) / max(n - 4, 1))
            if not again:
                damping = 0.0 if damping < 1e-5 else 0.1 * damping
                # steps shrink by ever larger factors: the next one by at least the last's
                next_step = moved * min(1.0, moved / before)
                if damping == 0.0 and next_step < max(stop_log, error) and moved < 0.02:
                    info[2] = 1.0
                    break
            again = False
            sweeps = 1 if damping == 0.0 else 2
        else:
            damping = max(10.0 * damping, 1e-3)
            copy_to(new, theta)
            sweeps = 3
            again = True
            continue
        damping = _direction(acc, damping, matrix, inverse, low, step)
        if damping < 0.0:
            break
        # a sample that falls in and out of contact makes full steps swing for ever
        longest = 0.5 if iteration > 5 and moved > 0.5 * before else 1.0
        _propose(theta, step, z[0] - 0.2 * span, span, longest, new)
        before = moved if moved < np.inf else 1e-12
        moved = abs(new[2] - theta[2])
    _unpack(acc, matrix)
    if not invert_normal(matrix, 0.0, inverse, low):
        info[2] = 0.0
    info[0] = acc[14]
    info[1] = first
