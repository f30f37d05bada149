"""Tiles of sparse nuclei with known places, for the tests of stitching only.

Each nucleus is drawn into each tile where it truly lies, so that nothing is interpolated. Sizes and
brightnesses are common practice without a source.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter


@dataclass
class Scan:
    """A grid of tiles, ``true_px`` and ``nominal_px`` as (row, col)."""

    nominal_px: np.ndarray
    true_px: np.ndarray
    shape: tuple[int, int]
    nuclei_px: np.ndarray
    sigma_px: np.ndarray
    height: np.ndarray
    snr: float = 8.0
    noise: float = 25.0
    dark: float = 100.0
    tissue: float = 300.0
    vignette: float = 0.3
    disc_px: float = np.inf
    dtype: type = np.uint16
    seed: int = 0
    haze: float = 0.0
    _flat: np.ndarray = field(init=False)

    def __post_init__(self):
        self._flat = flat_field(self.shape, self.vignette)

    @property
    def centre_px(self):
        return (self.true_px.min(axis=0) + self.true_px.max(axis=0) + np.array(self.shape)) / 2

    def clean(self, number):
        """What an even lamp and a silent camera would show."""
        rows, cols = self.shape
        first = self.true_px[number]
        y, x = np.arange(rows)[:, None] + first[0], np.arange(cols)[None, :] + first[1]
        image = np.zeros(self.shape)
        if np.isfinite(self.disc_px):
            r = np.hypot(y - self.centre_px[0], x - self.centre_px[1])
            image += self.tissue / (1 + np.exp(np.clip((r - self.disc_px) / 6.0, -50, 50)))
        else:
            image += self.tissue
        if self.haze:
            # slow brightness of the tissue, fixed to the scene
            image *= 1 + self.haze * np.sin(y / 210.0 + 1) * np.cos(x / 170.0)
        place = self.nuclei_px - first
        near = np.flatnonzero(((place > -25) & (place < np.array(self.shape) + 25)).all(axis=1))
        for i in near:
            _stamp(image, place[i], self.sigma_px[i], self.height[i])
        return image

    def read(self, number):
        """One tile as the camera gives it."""
        rng = np.random.default_rng([self.seed, 7, number])
        seen = self.dark + self._flat * self.clean(number)
        seen += rng.normal(0, self.noise, self.shape)
        if np.dtype(self.dtype).kind == "f":
            return seen.astype(self.dtype)
        return np.clip(np.rint(seen), 0, np.iinfo(self.dtype).max).astype(self.dtype)


def flat_field(shape, depth):
    """Fall-off towards the corners, a little off centre, not quite a parabola; mean one."""
    y, x = (np.linspace(-1, 1, n) for n in shape)
    r2 = ((y[:, None] - 0.1) ** 2 + (x[None, :] + 0.05) ** 2) / 2
    flat = 1 - depth * r2**1.2
    return flat / flat.mean()


def _stamp(image, place, sigma, height):
    reach = int(4 * sigma) + 1
    r0, c0 = (max(0, int(p) - reach) for p in place)
    r1, c1 = (min(n, int(p) + reach + 1) for p, n in zip(place, image.shape, strict=True))
    if r0 >= r1 or c0 >= c1:
        return
    gy = np.exp(-((np.arange(r0, r1) - place[0]) ** 2) / (2 * sigma**2))
    gx = np.exp(-((np.arange(c0, c1) - place[1]) ** 2) / (2 * sigma**2))
    image[r0:r1, c0:c1] += height * np.outer(gy, gx)


def scan(
    seed,
    grid=(4, 4),
    shape=(512, 512),
    overlap=0.1,
    jitter_px=8.0,
    drift=(0.0, 0.0),
    per_mpx=500.0,
    disc=None,
    snr=8.0,
    **options,
):
    """A grid of tiles with stage errors of ``jitter_px`` (normal, cut at three of them).

    ``drift`` is added per column and row step to rows: a camera turned against the stage.
    """
    rng = np.random.default_rng(seed)
    size = np.array(shape)
    step = np.rint(size * (1 - overlap))
    rows, cols = np.mgrid[: grid[0], : grid[1]]
    at = np.column_stack([rows.ravel(), cols.ravel()])
    nominal = at * step
    error = np.clip(rng.normal(0, jitter_px, nominal.shape), -3 * jitter_px, 3 * jitter_px)
    error[:, 0] += at @ np.array(drift)
    true = nominal + error
    low, high = true.min(axis=0) - 30, true.max(axis=0) + size + 30
    count = rng.poisson(per_mpx * np.prod(high - low) / 1e6)
    nuclei = rng.uniform(low, high, (count, 2))
    noise = options.get("noise", 25.0)
    disc_px = np.inf
    if disc is not None:
        disc_px = disc * float((high - low).min()) / 2
        middle = (true.min(axis=0) + true.max(axis=0) + size) / 2
        nuclei = nuclei[np.linalg.norm(nuclei - middle, axis=1) < 0.97 * disc_px]
    return Scan(
        nominal_px=nominal,
        true_px=true,
        shape=shape,
        nuclei_px=nuclei,
        sigma_px=rng.uniform(3.0, 4.5, len(nuclei)),
        height=snr * noise * rng.uniform(0.6, 1.4, len(nuclei)),
        snr=snr,
        disc_px=disc_px,
        seed=seed,
        **options,
    )


def position_error(scan, registration, those=None):
    """RMS over tiles and both axes, pixels, once the common offset is taken out."""
    those = np.ones(len(scan.true_px), bool) if those is None else those
    off = (registration.corrected_px - scan.true_px)[those]
    off = off - off.mean(axis=0)
    return float(np.sqrt((off**2).mean())), float(np.linalg.norm(off, axis=1).max())


def blur(image, sigma):
    return gaussian_filter(np.asarray(image, float), sigma)
