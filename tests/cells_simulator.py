"""A small forward model of nuclei images with known truth, for the tests of engine/cells only.

Sizes, spacings and brightnesses are common practice without a source; nothing is fitted to data.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from engine.cells.patterns import BIG_CLUSTER, DIFFUSE, DOUBLE_STRING, SMALL_CLUSTER, STRING


@dataclass(frozen=True)
class Scene:
    """Truth of a simulated piece of tissue: positions in um, group and pattern of each cell."""

    xy_um: NDArray[np.float64]
    group: NDArray[np.int64]
    pattern: NDArray[np.int64]
    size_um: float


def direction_at(x, y, size_um):
    """Angle of the strings, radians: a slow swirl over the piece."""
    return 0.5 + 0.8 * np.sin(2.0 * x / size_um) + 0.6 * np.cos(1.7 * y / size_um)


def _file(rng, centre, count, spacing, size_um):
    """A string grown along the direction field from its centre, both ways."""
    points = [centre]
    for way in (1, -1):
        at = centre
        for _ in range(count // 2 if way == 1 else count - 1 - count // 2):
            angle = direction_at(*at, size_um)
            step = spacing * rng.normal(1.0, 0.10)
            at = at + way * step * np.array([np.cos(angle), np.sin(angle)])
            points.append(at)
    points = np.array(points)
    angle = direction_at(*centre, size_um)
    normal = np.array([-np.sin(angle), np.cos(angle)])
    return points + rng.normal(0, 0.07 * spacing, len(points))[:, None] * normal


def _double(rng, centre, count, spacing, size_um):
    angle = direction_at(*centre, size_um)
    normal = np.array([-np.sin(angle), np.cos(angle)])
    along = np.array([np.cos(angle), np.sin(angle)])
    apart = spacing * rng.uniform(0.85, 1.1)
    first = count // 2
    a = _file(rng, centre + 0.5 * apart * normal, first, spacing, size_um)
    shift = rng.uniform(-0.3, 0.3) * spacing * along
    b = _file(rng, centre - 0.5 * apart * normal + shift, count - first, spacing, size_um)
    return np.vstack([a, b])


def _cluster(rng, centre, count, spacing):
    points = [np.zeros(2)]
    while len(points) < count:
        host = points[rng.integers(len(points))]
        angle = rng.uniform(0, 2 * np.pi)
        new = host + spacing * rng.uniform(0.92, 1.12) * np.array([np.cos(angle), np.sin(angle)])
        gaps = np.linalg.norm(np.array(points) - new, axis=1)
        # round: a cluster that wanders off is not what the word means
        if gaps.min() > 0.85 * spacing and np.linalg.norm(new) < 0.75 * spacing * np.sqrt(count):
            points.append(new)
    return np.array(points) + centre


def _group(rng, pattern, centre, spacing, size_um):
    if pattern == STRING:
        return _file(rng, centre, int(rng.integers(4, 12)), spacing, size_um)
    if pattern == DOUBLE_STRING:
        return _double(rng, centre, int(rng.integers(6, 15)), spacing, size_um)
    if pattern == SMALL_CLUSTER:
        return _cluster(rng, centre, int(rng.integers(3, 9)), 0.9 * spacing)
    if pattern == BIG_CLUSTER:
        return _cluster(rng, centre, int(rng.integers(11, 28)), 0.9 * spacing)
    return centre[None, :]


def make_scene(seed, size_um=1200.0, spacing_um=10.5, gap_um=24.0, tries=2500):
    """Groups in zones: the pattern follows a slow field, so that the disc has regions."""
    rng = np.random.default_rng(seed)
    points, group, pattern = [], [], []
    taken = np.empty((0, 2))
    phase = rng.uniform(0, 2 * np.pi)
    for _ in range(tries):
        centre = rng.uniform(0, size_um, 2)
        u = centre / size_um
        progress = 0.5 + 0.5 * np.sin(3.2 * u[0] + 2.1 * u[1] + phase)
        kind = int(np.clip(np.floor(progress * 5 + rng.normal(0, 0.35)), 0, 4))
        new = _group(rng, kind, centre, spacing_um, size_um)
        inside = np.linalg.norm(new - size_um / 2, axis=1).max() < 0.475 * size_um
        room = gap_um if kind != DIFFUSE else 0.62 * gap_um
        if not inside or (len(taken) and cKDTree(taken).query(new)[0].min() < room):
            continue
        taken = np.vstack([taken, new])
        points.append(new)
        group += [len(points) - 1] * len(new)
        pattern += [kind] * len(new)
    return Scene(np.vstack(points), np.array(group), np.array(pattern), size_um)


def _stamp(image, x_um, y_um, pixel_um, reach_um, shape):
    """Add shape(dx_um, dy_um) round a position."""
    r0 = max(0, int((y_um - reach_um) / pixel_um))
    c0 = max(0, int((x_um - reach_um) / pixel_um))
    r1 = min(image.shape[0], int((y_um + reach_um) / pixel_um) + 2)
    c1 = min(image.shape[1], int((x_um + reach_um) / pixel_um) + 2)
    if r0 >= r1 or c0 >= c1:
        return
    dy = np.arange(r0, r1)[:, None] * pixel_um - y_um
    dx = np.arange(c0, c1)[None, :] * pixel_um - x_um
    image[r0:r1, c0:c1] += shape(dx, dy)


def _ellipse(diameter_um, aspect, angle, blur_um, height):
    """Soft-edged ellipse of mean diameter ``diameter_um``."""
    a = 0.5 * diameter_um * np.sqrt(aspect)
    b = 0.5 * diameter_um / np.sqrt(aspect)

    def shape(dx, dy):
        u = (dx * np.cos(angle) + dy * np.sin(angle)) / a
        v = (-dx * np.sin(angle) + dy * np.cos(angle)) / b
        rho = np.sqrt(u**2 + v**2)
        return height * 0.5 * (1 - np.tanh((rho - 1) * np.sqrt(a * b) / (0.9 * blur_um)))

    return shape


def _spot(sigma_um, height):
    return lambda dx, dy: height * np.exp(-0.5 * (dx**2 + dy**2) / sigma_um**2)


def _add_fibre(rng, image, pixel_um, size_um):
    at = rng.uniform(0, size_um, 2)
    angle = rng.uniform(0, 2 * np.pi)
    for _ in range(int(rng.integers(60, 160))):
        angle += rng.normal(0, 0.03)
        at = at + np.array([np.cos(angle), np.sin(angle)])
        _stamp(image, *at, pixel_um, 4.0, _spot(0.8, 45.0))


def _noisy(rng, image, photons):
    """Shot and read noise, an offset of 100, 16 bit."""
    shot = rng.poisson(np.clip(image, 0, None) * photons) / photons
    return np.clip(shot + rng.normal(0, 3.0, image.shape) + 100, 0, 65535).astype(np.uint16)


def hazy_image(scene, seed, pixel_um=0.65, photons=1.0, deep_per_cell=0.3, vignette=0.35):
    """Tissue on a dark ground: cells in and out of focus, debris, fibres, rim, vignetting."""
    rng = np.random.default_rng(seed + 1000)
    n = round(scene.size_um / pixel_um)
    image = np.zeros((n, n), dtype=np.float64)
    for x, y in scene.xy_um:
        height = 450.0 * rng.lognormal(0, 0.3)
        cell = _ellipse(
            rng.uniform(5.6, 7.4),
            rng.uniform(1.0, 1.45),
            rng.uniform(0, np.pi),
            rng.uniform(0.8, 1.6),
            height,
        )
        _stamp(image, x, y, pixel_um, 10.0, cell)
    for _ in range(round(deep_per_cell * len(scene.xy_um))):
        x, y = rng.uniform(0, scene.size_um, 2)
        deep = rng.uniform(0, 1)
        sigma = rng.uniform(3.6, 4.6) if deep < 0.6 else rng.uniform(7, 11)
        _stamp(image, x, y, pixel_um, 4 * sigma, _spot(sigma, rng.uniform(60, 260)))
    for _ in range(round(0.05 * len(scene.xy_um))):
        x, y = rng.uniform(0, scene.size_um, 2)
        _stamp(image, x, y, pixel_um, 6.0, _spot(rng.uniform(0.6, 0.9), rng.uniform(200, 1500)))
    for _ in range(4):
        _add_fibre(rng, image, pixel_um, scene.size_um)
    image += 90 + 25 * gaussian_filter(rng.normal(size=image.shape), 25 / pixel_um) * 90
    yy, xx = np.mgrid[:n, :n] / n - 0.5
    radius = np.hypot(xx, yy)
    tissue = 1 / (1 + np.exp((radius - 0.492) * scene.size_um / 2.0))
    image *= tissue
    image += 40 * np.exp(-0.5 * ((radius - 0.492) * scene.size_um / 6) ** 2)
    return _noisy(rng, image * (1 - vignette * (radius / 0.7) ** 2), photons)


def crowded_image(seed, size_um=330.0, pixel_um=0.65, overlap=0.92, photons=1.0, fill=2600):
    """Nuclei crowded and touching, of uneven size and brightness, no haze.

    Returns
    -------
    image, (n, 2) true centres in um
    """
    rng = np.random.default_rng(seed + 5000)
    n = round(size_um / pixel_um)
    image = np.zeros((n, n))
    centres, radii = np.empty((0, 2)), np.empty(0)
    for _ in range(fill):
        at = rng.uniform(0, size_um, 2)
        radius = 0.5 * rng.uniform(6.5, 10.5)
        gaps = np.linalg.norm(centres - at, axis=1)
        if (gaps < overlap * (radii + radius)).any():
            continue
        centres, radii = np.vstack([centres, at]), np.append(radii, radius)
    for (x, y), radius in zip(centres, radii, strict=True):
        cell = _ellipse(
            2 * radius,
            rng.uniform(1.0, 1.5),
            rng.uniform(0, np.pi),
            0.9,
            220.0 * rng.lognormal(0, 0.5),
        )
        _stamp(image, x, y, pixel_um, 14.0, cell)
    texture = gaussian_filter(rng.normal(size=image.shape), 1.0 / pixel_um)
    image *= 1 + 0.15 * texture / texture.std()
    yy, xx = np.mgrid[:n, :n] / n
    image = image * (0.7 + 0.3 * xx) + 40 + 40 * yy
    return _noisy(rng, image, photons), centres


def match(found_um, true_um, reach_um=3.0):
    """One-to-one pairs within ``reach_um``, nearest first: index into found, index into true."""
    if not len(found_um) or not len(true_um):
        return np.empty(0, int), np.empty(0, int)
    tree = cKDTree(found_um)
    pairs = tree.sparse_distance_matrix(cKDTree(true_um), reach_um, output_type="ndarray")
    pairs = np.sort(pairs, order="v")
    used_found, used_true, out = set(), set(), []
    for i, j, _ in pairs:
        if i not in used_found and j not in used_true:
            used_found.add(i)
            used_true.add(j)
            out.append((i, j))
    found, true = np.array(out, dtype=int).reshape(-1, 2).T
    return found, true


def f1_score(found_um, true_um, reach_um=3.0):
    """F1 of one-to-one matches."""
    hits = len(match(found_um, true_um, reach_um)[0])
    return 2 * hits / max(1, len(found_um) + len(true_um))
