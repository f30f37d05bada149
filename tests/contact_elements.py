"""Indentation of elastic bodies by axisymmetric finite elements (scikit-fem), for tests.

Shares nothing with the engine: quadratic displacements and linear pressures on a graded mesh, so
that an incompressible body is no special case. The surface's compliance is found once; the contact
is the set of nodes round the axis that carries the largest force at a given depth.
"""

import numpy as np
from scipy.sparse import bmat
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementQuad1, ElementQuad2, ElementVector, MeshQuad
from skfem.helpers import ddot, div, sym_grad


def graded(fine, reach, end, count):
    """Points from 0: ``count`` even steps to ``reach``, then steps growing to ``end``."""
    points = list(np.linspace(0.0, reach, fine + 1))
    grow = np.geomspace(1.0, (end - reach) / (reach / fine), count + 1)[1:]
    steps = np.diff(np.concatenate([[0.0], grow]))
    return np.concatenate([points, reach + np.cumsum(steps) * (end - reach) / steps.sum()])


class Body:
    """A body of shear modulus 1 on a rigid base, and what its surface nodes do to each other."""

    def __init__(self, thickness, poisson_ratio, base, *, fine=32, width=None, reach=1.6):
        far = 40 * thickness if width is None else width
        r = graded(fine, reach, far, 26)
        if thickness > 4 * reach:
            depth = graded(fine // 2, reach, thickness, 26)
        else:
            depth = thickness * np.linspace(0, 1, 25) ** 1.3
        mesh = MeshQuad.init_tensor(r, np.unique(-depth))
        element = ElementVector(ElementQuad2())
        u = Basis(mesh, element, intorder=5)
        p = u.with_element(ElementQuad1())

        @BilinearForm
        def stiffness(u, v, w):
            hoop = u[0] * v[0] / w.x[0]
            return 2.0 * (ddot(sym_grad(u), sym_grad(v)) * w.x[0] + hoop)

        @BilinearForm
        def volume(u, q, w):
            return (div(u) * w.x[0] + u[0]) * q

        @BilinearForm
        def bulk(p, q, w):
            return p * q * w.x[0]

        lame = np.inf if poisson_ratio == 0.5 else 2 * poisson_ratio / (1 - 2 * poisson_ratio)
        k, b = stiffness.assemble(u), volume.assemble(u, p)
        system = bmat([[k, -b.T], [-b, -bulk.assemble(p) / lame]]).tocsc()
        axis = u.get_dofs(lambda x: x[0] < 1e-12).all(["u^1"])
        bottom = u.get_dofs(lambda x: x[1] < -thickness + 1e-9)
        held = bottom.all() if base == "bonded" else bottom.all(["u^2"])
        fixed = np.union1d(axis, held)
        free = np.setdiff1d(np.arange(system.shape[0]), fixed)
        top = u.get_dofs(lambda x: x[1] > -1e-12).all(["u^2"])
        place = u.doflocs[0][top]
        order = np.argsort(place)
        order = order[place[order] <= reach]
        self.r = place[order]
        where = np.searchsorted(free, top[order])
        loads = np.zeros((len(free), len(where)))
        loads[where, np.arange(len(where))] = 1.0
        # loads are per radian
        self.compliance = splu(system[free][:, free]).solve(loads)[where] / (2 * np.pi)
        self.reduced = 2.0 / (1.0 - poisson_ratio)

    def force(self, depth, shape):
        """Force over reduced modulus at a depth, for a tip whose surface is ``shape(r)``."""
        push = depth - shape(self.r)
        best = 0.0
        for n in range(2, int(np.sum(push > -depth)) + 1):
            best = max(best, float(np.linalg.solve(self.compliance[:n, :n], push[:n]).sum()))
        return best / self.reduced
