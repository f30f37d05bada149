"""Simulated clips: a window wandering over synthetic tissue, with truth. No figure is from data."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from cells_simulator import _ellipse, _group, _spot, _stamp
from numpy.typing import NDArray
from scipy.ndimage import convolve1d, gaussian_filter, rotate
from scipy.ndimage import shift as moved
from scipy.spatial import cKDTree

from engine.cells.patterns import BIG_CLUSTER, DIFFUSE, DOUBLE_STRING, SMALL_CLUSTER, STRING

KINDS = {
    "string": (STRING, STRING, DOUBLE_STRING),
    "cluster": (SMALL_CLUSTER, BIG_CLUSTER),
    "diffuse": (DIFFUSE,),
    "mixed": (STRING, SMALL_CLUSTER, SMALL_CLUSTER),
}


@dataclass(frozen=True)
class Clip:
    """Frames with their truth: place of each first pixel (row, col), blur, and the class."""

    frames: NDArray[np.uint8]
    place_px: NDArray[np.float64]
    blur_px: NDArray[np.float64]
    kind: str
    pixel_um: float


@lru_cache(maxsize=12)
def tissue(kind: str, seed: int, size_um: float = 620.0, pixel_um: float = 1.0):
    """Picture (n, n) of cells of one class, with haze of deeper ones and slow brightness."""
    rng = np.random.default_rng([seed, len(kind)])
    image = np.full((round(size_um / pixel_um),) * 2, 30.0)
    taken = np.empty((0, 2))
    for _ in range(900):
        pattern = int(rng.choice(KINDS[kind]))
        centre = rng.uniform(0, size_um, 2)
        new = _group(rng, pattern, centre, 10.5, size_um)
        room = 24.0 if pattern != DIFFUSE else 17.0
        if len(taken) and cKDTree(taken).query(new)[0].min() < room:
            continue
        taken = np.vstack([taken, new])
    for x, y in taken:
        height = 90.0 * rng.lognormal(0, 0.25)
        cell = _ellipse(
            rng.uniform(6.0, 8.0), rng.uniform(1, 1.4), rng.uniform(0, np.pi), 1.1, height
        )
        _stamp(image, x, y, pixel_um, 10.0, cell)
    for _ in range(round(0.2 * len(taken))):
        x, y = rng.uniform(0, size_um, 2)
        sigma = rng.uniform(6, 11)
        _stamp(image, x, y, pixel_um, 4 * sigma, _spot(sigma, rng.uniform(15, 40)))
    slow = gaussian_filter(rng.normal(size=image.shape), 40 / pixel_um)
    return image * (1 + 0.12 * slow / slow.std())


def walk(rng, frames: int, room: float, step: float) -> NDArray[np.float64]:
    """A smooth way of (row, col) within room, about so many pixels a frame."""
    pace = gaussian_filter(rng.normal(size=(frames + 40, 2)), (4, 0))[20:-20]
    pace *= step / np.sqrt((pace**2).sum(axis=1).mean())
    way = np.cumsum(pace, axis=0)
    way -= way.min(axis=0)
    reach = np.ptp(way, axis=0).max()
    return way * min(1.0, room / reach) + 2.0


def motion_blur(image, velocity):
    """Mean over the way that the window moves while a frame is taken (half of its time)."""
    length = 0.5 * float(np.hypot(*velocity))
    if length < 0.5:
        return image
    angle = np.degrees(np.arctan2(velocity[0], velocity[1]))
    turned = rotate(image, angle, reshape=False, order=1, mode="nearest")
    taps = 2 * round((length - 1) / 2) + 1  # an even number would move the picture
    turned = convolve1d(turned, np.full(taps, 1 / taps), axis=1, mode="nearest")
    return rotate(turned, -angle, reshape=False, order=1, mode="nearest")


def make_clip(
    kind: str,
    seed: int,
    frames: int = 30,
    side: int = 256,
    step: float = 9.0,
    soft: float = 0.0,
    photons: float = 2.0,
    vignette: float = 0.45,
) -> Clip:
    """A clip of one class: some frames out of focus, some moved, all vignetted and noisy.

    ``soft`` adds a blur (pixels) to every frame.
    """
    rng = np.random.default_rng(seed)
    image = tissue(kind, seed % 4)
    place = walk(rng, frames, image.shape[0] - side - 8, step)
    focus = np.abs(gaussian_filter(rng.normal(size=frames + 20), 2.0)[10:-10])
    blur = soft + 0.4 + 4.0 * np.clip(focus / focus.std() - 0.7, 0, 1.5)
    yy, xx = np.mgrid[:side, :side] / (side - 1) - 0.5
    shade = 1 - vignette * (xx**2 + yy**2) / 0.5
    taken = []
    velocity = np.gradient(place, axis=0)
    for at, sigma, pace in zip(place, blur, velocity, strict=True):
        low = np.floor(at).astype(int)
        part = image[low[0] - 2 : low[0] + side + 4, low[1] - 2 : low[1] + side + 4]
        part = moved(part, -(at - low), order=3, mode="nearest")
        part = motion_blur(gaussian_filter(part, sigma), pace)[2 : 2 + side, 2 : 2 + side]
        seen = np.clip(part * shade, 0, None) * rng.normal(1.0, 0.02)
        noisy = rng.poisson(seen * photons) / photons + rng.normal(0, 1.5, seen.shape) + 4
        taken.append(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
    return Clip(np.stack(taken), place, blur, kind, 1.0)
