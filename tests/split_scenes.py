"""Invented networks in which some fibrils divide in two, the area of the section kept."""

from dataclasses import dataclass

import numpy as np
from collagen_scenes import Recipe, _draw, _pink, dilate
from scipy import ndimage


@dataclass(frozen=True)
class SplitScene:
    height_nm: np.ndarray
    pixel_nm: tuple[float, float]
    u_nm: np.ndarray  # splits that can be seen, from the image's centre
    v_nm: np.ndarray
    trunk_nm: np.ndarray
    branches_nm: np.ndarray  # (splits, 2)
    laid_nm: np.ndarray  # (laid, 2) u and v of all, whether or not something lies over them


def _path(rng, start, heading, length, bend, step):
    n = max(int(length / step), 4)
    turn = ndimage.gaussian_filter1d(rng.normal(size=n), 500.0 / step)
    turn = bend * (turn - turn[0]) / max(turn.std(), 1e-12)
    angle = heading + turn
    walk = np.cumsum(np.column_stack([np.cos(angle), np.sin(angle)]), axis=0) * step
    return start + walk, angle


def _rest(surface, path, r, fine, step):
    where = (path[:, 1] / fine[1] - 0.5, path[:, 0] / fine[0] - 0.5)
    local = ndimage.map_coordinates(surface, where, order=1, mode="nearest")
    local = ndimage.maximum_filter1d(local, int(2 * r / step) + 1)
    return ndimage.gaussian_filter1d(local, 60.0 / step, mode="nearest") + 0.35 * r


def _put(surface, owner, index, path, angle, axis, diameter, recipe, rng, fine):
    step = min(fine)
    slope = np.gradient(axis, step)
    arc = np.cumsum(np.hypot(step, slope * step))
    wave = 0.5 * recipe.band_depth * diameter
    radius = diameter / 2 + wave * np.cos(2 * np.pi * arc / 67.0 + rng.uniform(0, 6))
    _draw(surface, owner, index, path, angle, axis, slope, radius, fine)


def _plain(surface, owner, index, recipe, rng, extent, fine):
    step = min(fine)
    heading = np.radians(rng.normal(recipe.angle_deg, recipe.angle_sd_deg))
    length = 1.6 * extent.max()
    path, angle = _path(rng, np.zeros(2), heading, length, recipe.bend, step)
    path += rng.uniform(0, 1, 2) * extent - path[len(path) // 2]
    diameter = recipe.diameter_nm * np.exp(recipe.diameter_cv * rng.normal())
    axis = _rest(surface, path, diameter / 2, fine, step)
    _put(surface, owner, index, path, angle, axis, diameter, recipe, rng, fine)


def _dividing(surface, owner, index, recipe, rng, extent, fine):
    """A trunk that comes in and two branches that go out; each has an index of its own."""
    step = min(fine)
    heading = np.radians(rng.normal(recipe.angle_deg, recipe.angle_sd_deg)) + np.pi * rng.integers(
        2
    )
    diameter = 1.25 * recipe.diameter_nm * np.exp(recipe.diameter_cv * rng.normal())
    share = rng.uniform(0.35, 0.65)
    thin = diameter * np.sqrt([share, 1 - share])
    place = rng.uniform(0.15, 0.85, 2) * extent
    back, angle = _path(rng, place, heading + np.pi, 1.2 * extent.max(), recipe.bend, step)
    trunk, angle = back[::-1], angle[::-1] - np.pi
    ground = surface.copy()
    axis = _rest(ground, trunk, diameter / 2, fine, step)
    _put(surface, owner, index, trunk, angle, axis, diameter, recipe, rng, fine)
    for k, sign in enumerate((1.0, -1.0)):
        turn = sign * np.radians(rng.uniform(8.0, 22.0))
        path, angle = _path(rng, place, heading + turn, 1.2 * extent.max(), recipe.bend, step)
        rest = _rest(ground, path, thin[k] / 2, fine, step)
        away = np.exp(-0.5 * (np.arange(len(path)) * step / 150.0) ** 2)
        branch = (1 - away) * rest + away * axis[-1]
        _put(surface, owner, index + 1 + k, path, angle, branch, thin[k], recipe, rng, fine)
        thin_path = path
        yield thin_path, thin[k]
    yield trunk, diameter


def _seen(owner, path, index, fine, at_nm):
    """Whether a fibril lies open from some distance on, most of the way to twice of it."""
    step = min(fine)
    part = path[int(at_nm / step) : int(2.5 * at_nm / step)]
    iv, iu = (part[:, 1] / fine[1]).astype(int), (part[:, 0] / fine[0]).astype(int)
    on = (iv >= 0) & (iu >= 0) & (iv < owner.shape[0]) & (iu < owner.shape[1])
    return on.all() and len(part) > 0 and np.mean(owner[iv, iu] == index) > 0.85


def split_scene(recipe: Recipe, tip, seed: int, splits: int) -> SplitScene:
    """Lay ``recipe.count`` plain fibrils and ``splits`` dividing ones, these among the last."""
    rng = np.random.default_rng(seed)
    fine = (recipe.pixel_nm[0] / recipe.fine, recipe.pixel_nm[1] / recipe.fine)
    rows, cols = recipe.size[0] * recipe.fine, recipe.size[1] * recipe.fine
    extent = np.array([cols * fine[0], rows * fine[1]])
    surface = ndimage.gaussian_filter(rng.normal(size=(rows, cols)), 400.0 / fine[0])
    surface *= recipe.undulation_nm / surface.std()
    owner = np.full((rows, cols), -1)
    below = 2 * recipe.count // 3
    last = np.r_[np.zeros(recipe.count - below, int), np.ones(splits, int)]
    kinds = np.r_[np.zeros(below, int), rng.permutation(last)]
    made, index = [], 0
    for kind in kinds:
        if kind:
            (one, a), (two, b), (trunk, t) = _dividing(
                surface, owner, index, recipe, rng, extent, fine
            )
            made.append((index, trunk[::-1], one, two, t, a, b))
            index += 3
        else:
            _plain(surface, owner, index, recipe, rng, extent, fine)
            index += 1
    kept = [
        (i, trunk, one, two, t, a, b)
        for i, trunk, one, two, t, a, b in made
        if _seen(owner, trunk, i, fine, 120.0)
        and _seen(owner, one, i + 1, fine, 160.0)
        and _seen(owner, two, i + 2, fine, 160.0)
    ]
    seen = surface if tip is None else dilate(surface, fine, tip)
    at = recipe.fine // 2
    height = seen[at :: recipe.fine, at :: recipe.fine].copy()
    height += recipe.line_noise_nm * _pink(rng, len(height))[:, None]
    height += recipe.white_noise_nm * rng.normal(size=height.shape)
    place = np.array([k[1][0] for k in kept]).reshape(-1, 2) - 0.5 * extent
    return SplitScene(
        height,
        recipe.pixel_nm,
        place[:, 0],
        place[:, 1],
        np.array([k[4] for k in kept]),
        np.array([k[5:] for k in kept]).reshape(-1, 2),
        np.array([m[1][0] for m in made]).reshape(-1, 2) - 0.5 * extent,
    )
