"""Compiled: the model d(z), its Jacobian and normal equations.

Lengths are scaled. d = b0 + b1 z + g, g = u - t^2, where u = max(z - z0, 0) and t >= 0 solves
t^2 (1 + alpha Q(t)) = u. Parameters are (b0, b1, ln alpha, z0).
"""

import numpy as np

from ._compiled import Floats, fast, plain

TINY = 1e-9
MARGIN = 0.06
"""Samples farther before the contact than this share of the drive are only summed up."""


@fast
def law(t: Floats, coefficients: Floats, q: Floats, dq: Floats) -> None:
    """Q(t) and dQ/dt of a tabulated contact law, into ``q`` and ``dq``."""
    pieces = coefficients.shape[0]
    if pieces == 1:
        c0 = coefficients[0, 0]
        c1 = coefficients[0, 1]
        c2 = coefficients[0, 2]
        c3 = coefficients[0, 3]
        c4 = coefficients[0, 4]
        c5 = coefficients[0, 5]
        c6 = coefficients[0, 6]
        c7 = coefficients[0, 7]
        for i in range(t.size):
            x = t[i]
            q[i] = c0 + x * (c1 + x * (c2 + x * (c3 + x * (c4 + x * (c5 + x * (c6 + x * c7))))))
            dq[i] = c1 + x * (
                2 * c2 + x * (3 * c3 + x * (4 * c4 + x * (5 * c5 + x * (6 * c6 + x * 7 * c7))))
            )
        return
    for i in range(t.size):
        x = t[i] * pieces
        k = min(int(x), pieces - 1)
        x -= k
        c1 = coefficients[k, 1]
        c2 = coefficients[k, 2]
        c3 = coefficients[k, 3]
        q[i] = coefficients[k, 0] + x * (c1 + x * (c2 + x * c3))
        dq[i] = (c1 + x * (2 * c2 + x * 3 * c3)) * pieces


@fast
def solve(
    z: Floats,
    t: Floats,
    q: Floats,
    dq: Floats,
    z0: float,
    alpha: float,
    coefficients: Floats,
    sweeps: int,
) -> None:
    """Newton sweeps for t, then Q and dQ/dt there.

    Safe from any start, since sqrt(u) bounds t from above.
    """
    for sweep in range(sweeps + 1):
        law(t, coefficients, q, dq)
        if sweep == sweeps:
            return
        for i in range(z.size):
            u = z[i] - z0
            u = max(0.0, u)
            ti = t[i]
            ti -= (ti * ti * (1.0 + alpha * q[i]) - u) / (
                ti * (2.0 + alpha * (2.0 * q[i] + ti * dq[i]))
            )
            su = np.sqrt(u)
            ti = min(su, ti)
            t[i] = max(TINY, ti)


@fast
def accumulate(
    z: Floats, d: Floats, t: Floats, q: Floats, dq: Floats, theta: Floats, pre: Floats, acc: Floats
) -> None:
    """Form the normal equations at ``theta``: upper triangle of J'J, J'r and r'r, to ``acc``.

    ``q`` and ``dq`` are overwritten by the third and fourth column of J. ``pre`` holds the sums
    1, z, z^2, d, z d, d^2 of the samples before those given, none of which is in contact.
    """
    b0 = theta[0]
    b1 = theta[1]
    alpha = np.exp(theta[2])
    z0 = theta[3]
    a00, a01, a02, a03 = 0.0, 0.0, 0.0, 0.0
    a11, a12, a13, a22, a23, a33 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    g0, g1, g2, g3, rr = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(z.size):
        zi = z[i]
        u = zi - z0
        touch = 1.0 if u > 0.0 else 0.0
        u *= touch
        ti = t[i]
        s = touch * alpha * (q[i] + 0.5 * ti * dq[i])
        inverse = 1.0 / (1.0 + s)
        g = (u - ti * ti) * touch
        j2 = g * inverse
        j3 = -s * inverse
        q[i] = j2
        dq[i] = j3
        r = d[i] - b0 - b1 * zi - g
        a00 += 1.0
        a01 += zi
        a02 += j2
        a03 += j3
        a11 += zi * zi
        a12 += zi * j2
        a13 += zi * j3
        a22 += j2 * j2
        a23 += j2 * j3
        a33 += j3 * j3
        g0 += r
        g1 += zi * r
        g2 += j2 * r
        g3 += j3 * r
        rr += r * r
    acc[0] = a00 + pre[0]
    acc[1] = a01 + pre[1]
    acc[2] = a02
    acc[3] = a03
    acc[4] = a11 + pre[2]
    acc[5] = a12
    acc[6] = a13
    acc[7] = a22
    acc[8] = a23
    acc[9] = a33
    acc[10] = g0 + pre[3] - b0 * pre[0] - b1 * pre[1]
    acc[11] = g1 + pre[4] - b0 * pre[1] - b1 * pre[2]
    acc[12] = g2
    acc[13] = g3
    acc[14] = rr + (
        pre[5]
        + b0 * b0 * pre[0]
        + b1 * b1 * pre[2]
        - 2.0 * (b0 * pre[3] + b1 * pre[4] - b0 * b1 * pre[1])
    )


@plain
def contact_sums(z: Floats, d: Floats, z0: float, span: float, pre: Floats) -> int:
    """Sum up the leading samples that are surely not in contact, into ``pre``.

    Returns
    -------
    int
        Index of the first sample that is not among them.
    """
    limit = z0 - MARGIN * span
    pre[:] = 0.0
    first = z.size
    for i in range(z.size):
        if z[i] > limit:
            first = i
            break
    zz = z[:first]
    dd = d[:first]
    sz, szz, sd, szd, sdd = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(zz.size):
        sz += zz[i]
        szz += zz[i] * zz[i]
        sd += dd[i]
        szd += zz[i] * dd[i]
        sdd += dd[i] * dd[i]
    pre[0] = first
    pre[1] = sz
    pre[2] = szz
    pre[3] = sd
    pre[4] = szd
    pre[5] = sdd
    return first


@plain
def law_at(x: float, coefficients: Floats) -> tuple[float, float]:
    """Q and dQ/dt of a tabulated contact law at one t."""
    pieces = coefficients.shape[0]
    x *= pieces
    k = min(int(x), pieces - 1) if pieces > 1 else 0
    x -= k
    q = 0.0
    dq = 0.0
    for i in range(coefficients.shape[1] - 1, -1, -1):
        dq = dq * x + q
        q = q * x + coefficients[k, i]
    return q, dq * pieces
