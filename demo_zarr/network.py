"""Height images of fibril networks with known truth, as a probe of finite radius sees them."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from demo_zarr.recipe import BAND_PERIOD_NM
from demo_zarr.relief import Canvas, Sway, dilate
from demo_zarr.scene import FloatArray, smooth_field

IntArray = npt.NDArray[np.int64]

_LAYERS = ((-1.15, 1.15), (-0.6, 1.35), (0.0, 2.6))
"""Of each layer: its level and the spacing of its fibrils, both in mean diameters."""


@dataclass(frozen=True)
class FibrilTruth:
    """Fibrils that show in one image, one an element.

    Attributes
    ----------
    diameter_nm, visible_nm, angle_deg, u_nm, v_nm
        Diameter; length of axis that shows; mean direction in the site's own frame (from +u
        towards +v, [0, 180)); middle of what shows, site's own frame.
    """

    diameter_nm: FloatArray
    visible_nm: FloatArray
    angle_deg: FloatArray
    u_nm: FloatArray
    v_nm: FloatArray


@dataclass(frozen=True)
class NetworkImage:
    """One height image and its truth.

    Attributes
    ----------
    height_nm
        As handed over: dilated, tilted, noisy, shape (px, px), float32.
    surface_nm
        The surface itself, shape (px, px).
    dilated_nm
        Where the tip touches it, shape (px, px).
    on_fibril
        Index of the fibril that shows at each pixel, -1 for the ground, shape (px, px).
    fibrils
        What shows.
    sq_nm
        RMS height of the dilated surface after its mean plane.
    order, angle_deg
        Nematic order of what shows, by length, and its direction in the site's own frame.
    thickness_mean_nm, thickness_median_nm, thickness_p95_nm
        Of the diameters, weighted by visible length.
    band_period_nm
        Axial period along the fibril in space.
    """

    height_nm: npt.NDArray[np.float32]
    surface_nm: FloatArray
    dilated_nm: FloatArray
    on_fibril: IntArray
    fibrils: FibrilTruth
    sq_nm: float
    order: float
    angle_deg: float
    thickness_mean_nm: float
    thickness_median_nm: float
    thickness_p95_nm: float
    band_period_nm: float


@dataclass(frozen=True)
class NetworkTruth:
    """What an image is to show.

    Attributes
    ----------
    damage
        Degeneration of the network, 0 to 1.
    direction
        Mean direction of the fibrils in the site's own frame, radians from +u towards +v.
    px, pixel_nm
        Pixels a side and their size.
    tip_radius_nm
        Apex radius of the probe, a paraboloid.
    """

    damage: float
    direction: float
    px: int
    pixel_nm: float
    tip_radius_nm: float


def _between(healthy: float, ill: float, damage: float) -> float:
    return healthy + (ill - healthy) * damage


def _lay(canvas: Canvas, truth: NetworkTruth, rng: np.random.Generator) -> FloatArray:
    """Lay all fibrils; their diameters."""
    mean = _between(118.0, 46.0, truth.damage)
    spread = _between(0.15, 0.75, truth.damage)
    width = truth.px * truth.pixel_nm
    diameters = []
    for level, spacing in _LAYERS:
        count = int(np.ceil(2.2 * width / (spacing * mean)))
        places = (np.arange(count) + rng.uniform(0, 1, count)) / count - 0.5
        for place in places:
            angle = truth.direction + rng.normal(0, spread)
            diameter = mean * rng.lognormal(0, 0.2)
            sway = Sway(
                amplitude_nm=rng.normal(0, 0.25 * mean),
                wavelength_nm=rng.uniform(0.9, 2.0) * width,
                phase=rng.uniform(0, 2 * np.pi),
                band_phase=rng.uniform(0, 2 * np.pi),
            )
            lift = (level + rng.normal(0, 0.15)) * mean
            canvas.lay(float(place * 2.2 * width), angle, diameter / 2, lift, sway)
            diameters.append(diameter)
    return np.array(diameters)


def _weighted_quantile(values: FloatArray, weights: FloatArray, share: float) -> float:
    order = np.argsort(values)
    running = np.cumsum(weights[order])
    return float(np.interp(share * running[-1], running - weights[order] / 2, values[order]))


def _visible(canvas: Canvas, diameters: FloatArray) -> tuple[FibrilTruth, complex]:
    """Find what shows of the fibrils' axes, and the sum of exp(2 i direction) over it."""
    rows, moment = [], 0j
    for index, strand in enumerate(canvas.strands):
        shown = np.flatnonzero(canvas.shown(index))
        if shown.size == 0:
            continue
        part = np.sum(strand.pace_nm[shown] * np.exp(2j * strand.direction[shown]))
        moment += part
        rows.append(
            (
                diameters[index],
                float(strand.pace_nm[shown].sum()),
                float(np.rad2deg(np.angle(part) / 2) % 180.0),
                float(strand.u_nm[shown].mean()),
                float(strand.v_nm[shown].mean()),
            )
        )
    return FibrilTruth(*np.array(rows).T), complex(moment)


def _flat(height: FloatArray) -> FloatArray:
    """Heights after removal of the least squares plane."""
    side_v, side_u = height.shape
    u, v = np.arange(side_u) - (side_u - 1) / 2, np.arange(side_v) - (side_v - 1) / 2
    tilt_u = (height.mean(axis=0) @ u) / (u @ u)
    tilt_v = (height.mean(axis=1) @ v) / (v @ v)
    return np.asarray(height - height.mean() - tilt_u * u - (tilt_v * v)[:, None])


def image_network(truth: NetworkTruth, rng: np.random.Generator) -> NetworkImage:
    """Take one height image.

    Parameters
    ----------
    truth
        What it is to show.
    rng
        Source of chance.

    Returns
    -------
    NetworkImage
        The image as an instrument gives it, and its truth.
    """
    swell = _between(50.0, 135.0, truth.damage)
    canvas = Canvas(truth.px, truth.pixel_nm, smooth_field(rng, 1100.0, 3200.0), swell)
    diameters = _lay(canvas, truth, rng)
    u, v = np.meshgrid(canvas.place_nm, canvas.place_nm)
    floor_nm = canvas.base(u, v) - 1.7 * _between(118.0, 46.0, truth.damage)
    ground = floor_nm + 4.0 * smooth_field(rng, 40.0, 160.0).at(u, v)
    bare = ground > canvas.height_nm
    canvas.height_nm[bare] = ground[bare]
    canvas.owner[bare] = -1
    fibrils, moment = _visible(canvas, diameters)
    length = fibrils.visible_nm
    dilated = dilate(canvas.height_nm, truth.pixel_nm, truth.tip_radius_nm)
    seen = dilated + rng.normal(0, 0.02) * u + rng.normal(0, 0.02) * v
    seen = seen + rng.normal(0, 0.5, (truth.px, 1)) + rng.normal(0, 0.3, seen.shape)
    return NetworkImage(
        height_nm=seen.astype(np.float32),
        surface_nm=canvas.height_nm,
        dilated_nm=dilated,
        on_fibril=canvas.owner,
        fibrils=fibrils,
        sq_nm=float(_flat(dilated).std()),
        order=abs(moment) / float(length.sum()),
        angle_deg=float(np.rad2deg(np.angle(moment) / 2) % 180.0),
        thickness_mean_nm=float(np.average(fibrils.diameter_nm, weights=length)),
        thickness_median_nm=_weighted_quantile(fibrils.diameter_nm, length, 0.5),
        thickness_p95_nm=_weighted_quantile(fibrils.diameter_nm, length, 0.95),
        band_period_nm=BAND_PERIOD_NM,
    )
