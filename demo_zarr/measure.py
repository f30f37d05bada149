"""What the invented instruments give at one site."""

from dataclasses import dataclass

import numpy as np

from demo_zarr.curves import CurveSet, MapTruth, take_curves
from demo_zarr.layout import Site
from demo_zarr.network import NetworkImage, NetworkTruth, image_network
from demo_zarr.recipe import FAULTS, FaultRecipe
from demo_zarr.scene import FloatArray, Scene, part_rng, smooth_field

_NONE = FaultRecipe(0.0, 0.0, 0.0)
_CHAIN_SHARE = 0.08
_CHAIN_NM = (42.0, 62.0)
_FIBRIL_KPA = 5200.0
_FIBRIL_ILL_KPA = 1500.0


@dataclass(frozen=True)
class Measured:
    """One site's raw data with their truth.

    Attributes
    ----------
    site
        Where and with what.
    points_um
        Disc positions of the curves, shape (n, 2), row by row; empty without curves.
    curves, image
        What was taken; None where it was not.
    damage
        Degeneration of the cells there, 0 to 1.
    """

    site: Site
    points_um: FloatArray
    curves: CurveSet | None
    image: NetworkImage | None
    damage: float


def _grid(site: Site) -> tuple[FloatArray, FloatArray]:
    """Points of the grid of curves in the site's own frame, row by row, um."""
    line = np.linspace(-site.width_um / 2, site.width_um / 2, site.curves)
    u, v = np.meshgrid(line, line)
    return u.ravel(), v.ravel()


def _bead_map(scene: Scene, site: Site, points: FloatArray, rng: np.random.Generator) -> CurveSet:
    n = points.shape[0]
    modulus = scene.modulus_kPa(points[:, 0], points[:, 1]) * rng.lognormal(0, 0.07, n)
    height = smooth_field(rng, 20.0, 80.0).at(points[:, 0], points[:, 1])
    damage = scene.damage(points[:, 0], points[:, 1])
    truth = MapTruth(
        modulus_kPa=modulus,
        contact_nm=rng.uniform(3500, 6500) + 130.0 * height,
        adhesion_nN=0.5 + 2.2 * damage + rng.uniform(0, 0.7, (n,)),
        loss=0.03 + 0.07 * damage + rng.uniform(0, 0.02, n),
        tilt=float(rng.normal(0, 0.0012)),
        not_taken=5 if site.number % 23 == 11 else 0,
    )
    return take_curves(truth, site.probe, FAULTS, rng)


def _force_image(
    scene: Scene, site: Site, image: NetworkImage, rng: np.random.Generator
) -> CurveSet:
    u, v = _grid(site)
    half, last = (site.px - 1) / 2.0, site.px - 1
    column = np.clip(np.rint(u * 1e3 / site.pixel_nm + half), 0, last).astype(np.int64)
    row = np.clip(np.rint(v * 1e3 / site.pixel_nm + half), 0, last).astype(np.int64)
    lead = scene.recipe.stiffness_lead_um
    damage = float(scene.damage(site.disc_um[0], site.disc_um[1], lead))
    level = _FIBRIL_KPA * (_FIBRIL_ILL_KPA / _FIBRIL_KPA) ** damage
    on_fibril = image.on_fibril[row, column] >= 0
    n = u.size
    truth = MapTruth(
        modulus_kPa=level * np.where(on_fibril, 1.0, 0.7) * rng.lognormal(0, 0.08, n),
        contact_nm=900.0 - image.dilated_nm[row, column] + image.dilated_nm.mean(),
        adhesion_nN=rng.uniform(0.05, 0.3, (n,)),
        loss=np.full(n, 0.04),
        tilt=float(rng.normal(0, 0.0008)),
        contour_nm=_chains(scene, site, n),
    )
    return take_curves(truth, site.probe, _NONE, rng)


def _chains(scene: Scene, site: Site, n: int) -> FloatArray:
    """Contour lengths (nm) of the few ways back that hold a chain; NaN for the others."""
    rng = part_rng(scene.recipe, 9000 + site.number)
    contour = rng.uniform(*_CHAIN_NM, n)
    return np.where(rng.random(n) < _CHAIN_SHARE, contour, np.nan)


def _fibril_direction(scene: Scene, site: Site) -> float:
    """Direction of the fibrils in the site's own frame, radians from +u towards +v."""
    turn = float(scene.direction(site.disc_um[0], site.disc_um[1]))
    on_stage = scene.stage_matrix @ np.array([np.cos(turn), np.sin(turn)])
    return float(np.arctan2(on_stage[1], on_stage[0]) - np.deg2rad(site.rotation_deg))


def measure(scene: Scene, site: Site) -> Measured:
    """Measure one site.

    Parameters
    ----------
    scene
        The disc.
    site
        Where and with what.

    Returns
    -------
    Measured
        The same for the same scene and site.
    """
    rng = part_rng(scene.recipe, 100 + site.number)
    u, v = _grid(site)
    points = scene.site_points(site.stage_um, site.rotation_deg, u, v)
    damage = float(scene.damage(site.disc_um[0], site.disc_um[1]))
    if site.kind == "bead-map":
        return Measured(site, points, _bead_map(scene, site, points, rng), None, damage)
    truth = NetworkTruth(
        damage=float(scene.damage(site.disc_um[0], site.disc_um[1], -scene.recipe.network_lag_um)),
        direction=_fibril_direction(scene, site),
        px=site.px,
        pixel_nm=site.pixel_nm,
        tip_radius_nm=site.probe.radius_nm,
    )
    image = image_network(truth, rng)
    curves = _force_image(scene, site, image, rng) if site.curves else None
    return Measured(site, points, curves, image, damage)
