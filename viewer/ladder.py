"""The scale ladder: which kinds of data there are near the centre, and from what size to what."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.view.scene import Scene

LANES = ("mosaic", "force map", "height image")
FILLS = 0.8
"""Share of the plane that a thing fills after a flight to it."""


@dataclass(frozen=True)
class Rung:
    """One kind of data on the ladder.

    Attributes
    ----------
    lane
        Place in `LANES`.
    label, title
        A name, and a sentence that says what a click does.
    coarse_um, fine_um
        Sizes from the whole of it down to the smallest it can show.
    x_um, y_um
        Its centre.
    site
        Its site; empty for the mosaic.
    near
        Whether it lies in the view.
    """

    lane: int
    label: str
    title: str
    coarse_um: float
    fine_um: float
    x_um: float
    y_um: float
    site: str
    near: bool


def rungs(
    scene: Scene, box_um: tuple[float, float, float, float], selected: str = ""
) -> list[Rung]:
    """Find the mosaic, and the force map and height image nearest to the centre of the view.

    Parameters
    ----------
    scene
        The disc.
    box_um
        The visible box (x0, y0, x1, y1).
    selected
        The selected site stands for its kind while it is in the view.

    Returns
    -------
    list of Rung
        At most one a lane, in the order of the lanes.
    """
    found = []
    if scene.mosaic is not None:
        found.append(_mosaic(scene))
    spacing = _spacings(scene)
    shapes = {layer.site: layer for layer in scene.heights}
    for lane, sites in ((1, list(spacing)), (2, list(shapes))):
        site = _nearest(scene, sites, box_um, selected)
        if site is None:
            continue
        foot = scene.sites[site]
        coarse = max(foot.width_um, foot.height_um)
        fine = spacing[site] if lane == 1 else 2 * foot.width_um / shapes[site].shape[1]
        found.append(
            Rung(
                lane,
                f"{LANES[lane]} {site}",
                f"{LANES[lane]} {site}: fly there",
                coarse,
                fine,
                float(foot.centre_um[0]),
                float(foot.centre_um[1]),
                site,
                _inside(foot.centre_um, box_um, coarse),
            )
        )
    return found


def _mosaic(scene: Scene) -> Rung:
    assert scene.mosaic is not None
    x0, y0, x1, y1 = scene.extent_um
    py, px = scene.mosaic.pixel_um[0]
    size = max(x1 - x0, y1 - y0)
    centre = (0.5 * (x0 + x1), 0.5 * (y0 + y1))
    title = "mosaic: fly to the whole disc"
    return Rung(0, LANES[0], title, size, 2 * max(py, px), *centre, "", True)


def _spacings(scene: Scene) -> dict[str, float]:
    names = list(scene.sites)
    numbers, first = np.unique(scene.curves.site, return_index=True)
    over = scene.curves.over_height
    return {
        names[int(n)]: float(scene.curves.spacing_um[i])
        for n, i in zip(numbers, first, strict=True)
        if not over[i]
    }


def _nearest(
    scene: Scene, sites: list[str], box: tuple[float, float, float, float], selected: str
) -> str | None:
    if not sites:
        return None
    if selected in sites and _inside(scene.sites[selected].centre_um, box, 0.0):
        return selected
    centres = np.array([scene.sites[site].centre_um for site in sites])
    middle = np.array([box[0] + box[2], box[1] + box[3]]) / 2
    return sites[int(np.argmin(np.hypot(*(centres - middle).T)))]


def _inside(point: np.ndarray, box: tuple[float, float, float, float], margin_um: float) -> bool:
    half = 0.5 * margin_um
    return bool(
        box[0] - half <= point[0] <= box[2] + half and box[1] - half <= point[1] <= box[3] + half
    )
