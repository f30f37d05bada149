"""Invented surfaces of cylinders with known truth, dilated by a probe and scanned with faults."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree


def dilate(surface_nm, pixel_nm, tip):
    """Grey dilation by the probe, by its definition: max over shifts of surface minus probe."""
    out = surface_nm.copy()
    depth = float(np.ptp(surface_nm))
    reach = [0, 0]
    for axis, step in ((0, pixel_nm[1]), (1, pixel_nm[0])):
        heights = tip.height_nm(np.arange(min(surface_nm.shape[axis], 200)) * step)
        reach[axis] = int(np.count_nonzero(heights < depth))
    rows, cols = surface_nm.shape
    for dv in range(-reach[0], reach[0] + 1):
        for du in range(-reach[1], reach[1] + 1):
            drop = float(tip.height_nm(np.array(np.hypot(du * pixel_nm[0], dv * pixel_nm[1]))))
            if drop >= depth:
                continue
            target = out[max(dv, 0) : rows + min(dv, 0), max(du, 0) : cols + min(du, 0)]
            source = surface_nm[max(-dv, 0) : rows - max(dv, 0), max(-du, 0) : cols - max(du, 0)]
            np.maximum(target, source - drop, out=target)
    return out


def cylinder_under_tip(diameter_nm, angle_deg, size, pixel_nm, tip_radius_nm, sink=0.0):
    """A straight cylinder on a plane, dilated exactly by a paraboloid: no grid is involved.

    The section is the parallel-like curve (x + R m, z + ...) of circle and parabola, written with
    the circle's angle a: contact where both slopes agree, tan(a) = s / R.
    """
    r = diameter_nm / 2
    a = np.radians(np.linspace(-89.9, 89.9, 20001))
    shift = tip_radius_nm * np.tan(a)
    x = r * np.sin(a) + shift
    z = r * np.cos(a) - shift**2 / (2 * tip_radius_nm)
    v, u = np.indices(size, dtype=float)
    u = (u - size[1] / 2 + 0.31) * pixel_nm[0]
    v = (v - size[0] / 2 + 0.17) * pixel_nm[1]
    angle = np.radians(angle_deg)
    across = -np.sin(angle) * u + np.cos(angle) * v
    return np.maximum(np.interp(across, x, z), -r + sink)


@dataclass(frozen=True)
class Scene:
    height_nm: np.ndarray
    surface_nm: np.ndarray
    pixel_nm: tuple[float, float]
    thickness_nm: np.ndarray  # of fibrils with a visible run of 200 nm
    weight_nm: np.ndarray  # their visible lengths
    order: float
    angle_deg: float
    period_nm: float

    def quantile(self, share):
        order = np.argsort(self.thickness_nm)
        w = self.weight_nm[order]
        return float(np.interp(share, (np.cumsum(w) - 0.5 * w) / w.sum(), self.thickness_nm[order]))


@dataclass(frozen=True)
class Recipe:
    """What a scene is made of; lengths in nanometres."""

    size: tuple[int, int] = (256, 256)
    pixel_nm: tuple[float, float] = (8.0, 8.0)
    count: int = 60
    diameter_nm: float = 60.0
    diameter_cv: float = 0.2
    angle_deg: float = 40.0
    angle_sd_deg: float = 35.0
    bend: float = 0.25
    undulation_nm: float = 60.0
    band_period_nm: float = 67.0
    band_depth: float = 0.045  # of the diameter; 0: no bands
    tilt: tuple[float, float] = (0.01, -0.02)
    line_noise_nm: float = 1.0
    white_noise_nm: float = 0.5
    fine: int = 2


def make_scene(recipe, tip, seed):
    """Lay fibrils one on another, image them, and keep what is seen of each."""
    rng = np.random.default_rng(seed)
    fine = (recipe.pixel_nm[0] / recipe.fine, recipe.pixel_nm[1] / recipe.fine)
    rows, cols = recipe.size[0] * recipe.fine, recipe.size[1] * recipe.fine
    ground = ndimage.gaussian_filter(rng.normal(size=(rows, cols)), 400.0 / fine[0])
    ground *= recipe.undulation_nm / ground.std()
    surface, owner = ground.copy(), np.full((rows, cols), -1)
    fibrils = [_lay(recipe, rng, surface, owner, k, fine) for k in range(recipe.count)]
    seen = [_visible(owner, k, f, fine) for k, f in enumerate(fibrils)]
    kept = [k for k in range(recipe.count) if seen[k][1] >= 200.0]
    double = sum(np.sum(np.exp(2j * f["angle"][s[2]])) for f, s in zip(fibrils, seen, strict=True))
    total = sum(np.count_nonzero(s[2]) for s in seen)
    seen_height = surface if tip is None else dilate(surface, fine, tip)
    at = recipe.fine // 2
    height = seen_height[at :: recipe.fine, at :: recipe.fine].copy()
    v, u = np.indices(height.shape)
    height += recipe.tilt[0] * u * recipe.pixel_nm[0] + recipe.tilt[1] * v * recipe.pixel_nm[1]
    height += recipe.line_noise_nm * _pink(rng, len(height))[:, None]
    height += recipe.white_noise_nm * rng.normal(size=height.shape)
    return Scene(
        height_nm=height,
        surface_nm=surface,
        pixel_nm=recipe.pixel_nm,
        thickness_nm=np.array([fibrils[k]["diameter"] for k in kept]),
        weight_nm=np.array([seen[k][0] for k in kept]),
        order=float(abs(double) / max(total, 1)),
        angle_deg=float(np.degrees(np.angle(double) / 2) % 180),
        period_nm=recipe.band_period_nm if recipe.band_depth else np.nan,
    )


def _pink(rng, n):
    """Line noise: half white, half a slow walk."""
    slow = ndimage.gaussian_filter1d(rng.normal(size=n), 3.0)
    return 0.7 * rng.normal(size=n) + 0.7 * slow / slow.std()


def _lay(recipe, rng, surface, owner, index, fine):
    rows, cols = surface.shape
    extent = np.array([cols * fine[0], rows * fine[1]])
    step = min(fine)
    n = int(1.6 * extent.max() / step)
    turn = ndimage.gaussian_filter1d(rng.normal(size=n), 500.0 / step)
    turn *= recipe.bend / max(turn.std(), 1e-12)
    angle = np.radians(rng.normal(recipe.angle_deg, recipe.angle_sd_deg)) + turn
    path = np.cumsum(np.column_stack([np.cos(angle), np.sin(angle)]), axis=0) * step
    path += rng.uniform(0, 1, 2) * extent - path[n // 2]
    margin = 300.0
    inside = ((path > -margin) & (path < extent + margin)).all(axis=1)
    first = int(np.argmax(inside))
    last = first + int(np.argmin(np.append(inside[first:], False)))
    path, angle = path[first:last], angle[first:last]
    diameter = recipe.diameter_nm * np.exp(recipe.diameter_cv * rng.normal())
    fibril = {"path": path, "angle": angle, "diameter": diameter}
    if len(path) < 20:
        return fibril
    r = diameter / 2
    where = (path[:, 1] / fine[1] - 0.5, path[:, 0] / fine[0] - 0.5)
    local = ndimage.maximum_filter1d(
        ndimage.map_coordinates(surface, where, order=1, mode="nearest"), int(2 * r / step) + 1
    )
    axis = ndimage.gaussian_filter1d(local, 60.0 / step, mode="nearest") + 0.35 * r
    slope = np.gradient(axis, step)
    arc = np.cumsum(np.hypot(step, slope * step))
    wave = 0.5 * recipe.band_depth * diameter
    radius = r + wave * np.cos(2 * np.pi * arc / recipe.band_period_nm + rng.uniform(0, 6))
    _draw(surface, owner, index, path, angle, axis, slope, radius, fine)
    return fibril


def _draw(surface, owner, index, path, angle, axis, slope, radius, fine):
    rows, cols = surface.shape
    centre = np.zeros((rows, cols), bool)
    iv = np.round(path[:, 1] / fine[1] - 0.5).astype(int)
    iu = np.round(path[:, 0] / fine[0] - 0.5).astype(int)
    on = (iv >= 0) & (iv < rows) & (iu >= 0) & (iu < cols)
    if not on.any():
        return
    centre[iv[on], iu[on]] = True
    reach = 1.1 * radius.max()
    near = ndimage.distance_transform_edt(~centre, sampling=fine[::-1]) < reach + 2 * max(fine)
    v, u = np.nonzero(near)
    point = np.column_stack([(u + 0.5) * fine[0], (v + 0.5) * fine[1]])
    away, at = cKDTree(path).query(point, distance_upper_bound=reach)
    hit = np.isfinite(away)
    v, u, at, point = v[hit], u[hit], at[hit], point[hit]
    off = point - path[at]
    along = off[:, 0] * np.cos(angle[at]) + off[:, 1] * np.sin(angle[at])
    across = -off[:, 0] * np.sin(angle[at]) + off[:, 1] * np.cos(angle[at])
    left = radius[at] ** 2 - across**2
    keep = (left > 0) & (np.abs(along) < 2 * max(fine))
    v, u, at, along, left = v[keep], u[keep], at[keep], along[keep], left[keep]
    # A vertical section across an inclined cylinder is an ellipse, stretched by 1 / cos(slope).
    top = axis[at] + slope[at] * along + np.sqrt(left * (1 + slope[at] ** 2))
    better = top > surface[v, u]
    surface[v[better], u[better]] = top[better]
    owner[v[better], u[better]] = index


def _visible(owner, index, fibril, fine):
    """Visible length, longest visible run, and which points of the path are seen."""
    path = fibril["path"]
    iv = np.floor(path[:, 1] / fine[1]).astype(int)
    iu = np.floor(path[:, 0] / fine[0]).astype(int)
    on = (iv >= 0) & (iv < owner.shape[0]) & (iu >= 0) & (iu < owner.shape[1])
    seen = np.zeros(len(path), bool)
    seen[on] = owner[iv[on], iu[on]] == index
    edge = np.flatnonzero(np.diff(np.concatenate([[0], seen.astype(int), [0]])))
    runs = edge[1::2] - edge[::2]
    step = min(fine)
    return seen.sum() * step, (runs.max() if runs.size else 0) * step, seen
