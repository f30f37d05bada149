"""Maps of a site's curves: modulus, contact height, adhesion and what the law needs for a load."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from engine.collagen import CollagenSettings, level
from engine.collagen.match import NO_MATCH, HeightMatch, free_of_drift, match_heights
from engine.flags import Flag
from engine.footprint import Footprint
from engine.maps_settings import MapsSettings
from engine.mechanics import CurveFits
from engine.mechanics.at_load import LoadLaw, contact_height, depth_at_load, law_of, trigger_of

Array = NDArray[np.float64]

UNLIKE = Flag(
    "map_unlike_image",
    "The contact heights do not follow the height image: another place, drift, or curves whose "
    "contact is not the surface.",
)
SHIFTED = Flag("map_shifted", "The curves lie off their place in the height image.")
DRIFT = Flag("map_drift", "The contact heights drift against the height image.")
FLAGS: tuple[Flag, ...] = (UNLIKE, SHIFTED, DRIFT)

MAPPED: tuple[str, ...] = (
    "modulus_kPa",
    "contact_height_nm",
    "adhesion_nN",
    "indentation_nm",
    "force_nN",
    "contact_se_nm",
)
"""What is kept as a map, in this order."""
_FEWEST_ROWS = 16
"""Steps of levelling that look at rows need this many."""
_JITTER_WAVES = 8
"""Row jitter is taken out of maps that hold this many of the waves that it half takes out."""


@dataclass(frozen=True)
class ForceVolume:
    """What the curves of one site give as maps; NaN where a curve does not count.

    Attributes
    ----------
    values
        The maps in the order of ``MAPPED``, float32, shape (maps, rows, cols); row 0 has the
        smallest v. Contact heights are levelled, with mean zero.
    pixel_u_nm, pixel_v_nm
        Distance of neighbouring points along u and v; NaN for a single column or row.
    levelling_steps
        What was done to the contact heights, in order.
    trigger_nN
        Median of the largest force: loads up to it can be shown.
    law
        The contact law, for depths at other loads.
    match
        How the contact heights lie on the site's height image.
    flags
        Names from ``FLAGS``.
    """

    values: NDArray[np.float32]
    pixel_u_nm: float
    pixel_v_nm: float
    levelling_steps: tuple[str, ...]
    trigger_nN: float
    law: LoadLaw
    match: HeightMatch = field(default=NO_MATCH)
    flags: tuple[str, ...] = ()

    def map(self, name: str) -> Array:
        """One map by its name, (rows, cols)."""
        return self.values[MAPPED.index(name)].astype(np.float64)

    def height_at(self, load_nN: float, beyond_share: float) -> Array:
        """Heights under a load, nm, (rows, cols): lower than at zero force by the law's depth."""
        return self.map("contact_height_nm") - depth_at_load(
            load_nN, self.map("modulus_kPa"), self.map("force_nN"), self.law, beyond_share
        )


def force_volume(
    fits: CurveFits,
    shape: tuple[int, int],
    footprint: Footprint,
    image_nm: Array | None,
    collagen: CollagenSettings,
    settings: MapsSettings,
) -> ForceVolume:
    """Lay out the fits of one site as maps.

    Parameters
    ----------
    fits
        Its curves in the order row * cols + col.
    shape
        (rows, cols).
    footprint
        Gives its size.
    image_nm
        Its levelled height image; None where it has none.
    collagen
        Gives the levelling, which is the same as that of the height images.
    settings
        Everything else.

    Returns
    -------
    ForceVolume

    Raises
    ------
    ValueError
        If there are not rows * cols fits.
    """
    if len(fits.used) != shape[0] * shape[1]:
        raise ValueError(f"{shape[0]} x {shape[1]} curves are needed, got {len(fits.used)}")
    used = fits.used & np.isfinite(fits.modulus_kPa) & np.isfinite(fits.contact_z_nm)
    height, steps = _levelled(contact_height(fits.contact_z_nm, used).reshape(shape), collagen)
    size_nm = (1e3 * footprint.width_um, 1e3 * footprint.height_um)
    match = NO_MATCH
    if image_nm is not None:
        match = match_heights(height, image_nm, *size_nm, settings.match_shift_points)
        if settings.drift_degree and match.points:
            height = free_of_drift(height, image_nm, size_nm, match, settings.drift_degree)
            match = match_heights(height, image_nm, *size_nm, settings.match_shift_points)
            steps = (*steps, f"drift_against_image_{settings.drift_degree}")
    columns = [
        height if name == "contact_height_nm" else _grid(getattr(fits, name), used, shape)
        for name in MAPPED
    ]
    pixel = [
        s / (n - 1) if n > 1 else float("nan") for s, n in zip(size_nm, shape[::-1], strict=True)
    ]
    return ForceVolume(
        values=np.stack(columns).astype(np.float32),
        pixel_u_nm=pixel[0],
        pixel_v_nm=pixel[1],
        levelling_steps=steps,
        trigger_nN=trigger_of(fits.force_nN, used),
        law=law_of(fits),
        match=match,
        flags=_flags(match, height, (pixel[0], pixel[1]), settings),
    )


def _grid(values: Array, used: NDArray[np.bool_], shape: tuple[int, int]) -> Array:
    return np.where(used, values, np.nan).reshape(shape)


def _levelled(height: Array, collagen: CollagenSettings) -> tuple[Array, tuple[str, ...]]:
    steps = collagen.levelling
    rows = min(height.shape)
    if rows < _FEWEST_ROWS:
        steps = tuple(step for step in steps if step in ("plane", "quadratic"))
    if rows < _JITTER_WAVES * collagen.jitter_rows:
        # on a small map it would take the undulation itself
        steps = tuple(step for step in steps if step != "row_jitter")
    done = level(height, collagen.model_copy(update={"levelling": steps}))
    return done.height_nm, done.steps


def _flags(
    match: HeightMatch, height: Array, pixel: tuple[float, float], s: MapsSettings
) -> tuple[str, ...]:
    if not match.points:
        return ()
    off = max(abs(match.shift_u_nm) / pixel[0], abs(match.shift_v_nm) / pixel[1])
    spread = float(np.nanstd(height))
    unlike = not match.correlation >= s.match_correlation_min
    earned = (
        (UNLIKE, unlike),
        # where they are unlike, the best shift is chance
        (SHIFTED, not unlike and off > s.match_shift_flag_points),
        (DRIFT, not unlike and match.drift_nm > s.drift_flag_share * spread),
    )
    return tuple(flag.name for flag, true in earned if true)
