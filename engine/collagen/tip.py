"""The probe's end as seen by a height image, and taking its dilation back by grey erosion."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from engine.collagen.strips import strips

Array = NDArray[np.float64]
TipShape = Literal["sphere", "paraboloid", "cone", "pyramid"]


@dataclass(frozen=True)
class ImageTip:
    """Shape of the probe that took a height image.

    Attributes
    ----------
    shape
        ``sphere`` (with a straight shaft above its equator), ``paraboloid``, ``cone`` (with a
        spherical apex where the radius is known) or ``pyramid`` (taken as the cone of its half
        angle: how it is turned in the image is not known).
    radius_nm
        Apex radius; None where it is unknown.
    half_angle_deg
        Half of the opening angle of a cone or pyramid, between 0 and 90; None otherwise.
    radius_rel_sd
        Relative standard deviation of the radius; None: the settings say it.

    Raises
    ------
    ValueError
        If a number is out of range, or a cone or pyramid has no half angle.
    """

    shape: TipShape
    radius_nm: float | None = None
    half_angle_deg: float | None = None
    radius_rel_sd: float | None = None

    def __post_init__(self) -> None:
        if self.radius_nm is not None and not 0 < self.radius_nm < np.inf:
            raise ValueError(f"radius_nm must be > 0 or None, got {self.radius_nm}")
        if self.radius_rel_sd is not None and not 0 <= self.radius_rel_sd < np.inf:
            raise ValueError(f"radius_rel_sd must be >= 0 or None, got {self.radius_rel_sd}")
        if self.has_angle and not 0 < (self.half_angle_deg or 0.0) < 90:
            raise ValueError(
                f"a {self.shape} needs half_angle_deg in (0, 90), got {self.half_angle_deg}"
            )

    @property
    def has_angle(self) -> bool:
        """Whether the flank is straight, so that a half angle describes it."""
        return self.shape in ("cone", "pyramid")

    @property
    def corrects(self) -> bool:
        """Whether any of the dilation can be taken back."""
        return self.has_angle or self.radius_nm is not None

    def height_nm(self, distance_nm: Array) -> Array:
        """Height of the probe's surface above its apex; infinite where there is no probe.

        Parameters
        ----------
        distance_nm
            Distance from the probe's axis, any shape.

        Returns
        -------
        numpy.ndarray
            Heights, same shape.
        """
        r = np.asarray(distance_nm, dtype=float)
        radius = self.radius_nm or 0.0
        if self.shape == "paraboloid":
            return r * r / (2.0 * radius)
        if self.shape == "sphere":
            cap = radius - np.sqrt(np.maximum(radius * radius - r * r, 0.0))
            return np.where(r <= radius, cap, np.inf)
        alpha = np.radians(self.half_angle_deg or 0.0)
        touch = radius * np.cos(alpha)  # where the sphere runs smoothly into the cone
        cap = radius - np.sqrt(np.maximum(radius * radius - r * r, 0.0))
        flank = radius * (1.0 - np.sin(alpha)) + (r - touch) / np.tan(alpha)
        return np.where(r <= touch, cap, flank)


def erode(
    height_nm: Array,
    pixel_nm: tuple[float, float],
    tip: ImageTip,
    depth_nm: float,
    between: bool = False,
) -> Array:
    """Take the probe's dilation back where the probe could touch: grey erosion by its shape.

    What the probe never touched stays filled. The result is an upper bound of the true surface,
    and equals it wherever the probe touched.

    Parameters
    ----------
    height_nm
        Heights as measured (dilated), NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    tip
        The probe.
    depth_nm
        Largest height of the probe that is used; flanks deeper than this are not corrected.
    between
        Whether the probe may also touch halfway between two pixels, where heights are taken from
        a cubic through four of them; for paraboloids only. Without it a coarse pixel leaves the
        flanks of thin fibrils too high.

    Returns
    -------
    numpy.ndarray
        Eroded heights, NaN where the input is NaN, same shape.
    """
    if not tip.corrects:
        return height_nm.copy()
    missing = ~np.isfinite(height_nm)
    filled = np.where(missing, np.inf, height_nm)
    if tip.shape == "paraboloid":  # the only round shape that separates into rows and columns
        out = filled
        for _, _, at in strips(*out.shape):
            out[at] = _erode_line(out[at], pixel_nm[0], tip, depth_nm, 1, between)
        for _, _, at in strips(out.shape[1], out.shape[0]):
            out[:, at] = _erode_line(out[:, at], pixel_nm[1], tip, depth_nm, 0, between)
    else:
        out = _erode_area(filled, pixel_nm, tip, depth_nm)
    out[missing] = np.nan
    return out


def _reach(pixel_nm: float, tip: ImageTip, depth_nm: float, count: int) -> int:
    steps = np.arange(count, dtype=np.float64) * pixel_nm
    return max(int(np.count_nonzero(tip.height_nm(steps) <= depth_nm)) - 1, 0)


def _shift_add_min(out: Array, source: Array, dv: int, du: int, add: float) -> None:
    rows, cols = source.shape
    to_v, from_v = slice(max(-dv, 0), rows - max(dv, 0)), slice(max(dv, 0), rows - max(-dv, 0))
    to_u, from_u = slice(max(-du, 0), cols - max(du, 0)), slice(max(du, 0), cols - max(-du, 0))
    target = out[to_v, to_u]
    np.minimum(target, source[from_v, from_u] + add, out=target)


def _erode_line(
    z: Array, pixel_nm: float, tip: ImageTip, depth_nm: float, axis: int, between: bool
) -> Array:
    out = z.copy()
    for k in range(1, _reach(pixel_nm, tip, depth_nm, z.shape[axis]) + 1):
        add = float(tip.height_nm(np.array(k * pixel_nm)))
        for step in (-k, k):
            dv, du = (step, 0) if axis == 0 else (0, step)
            _shift_add_min(out, z, dv, du, add)
    if between and z.shape[axis] >= 4:
        _touch_between(np.moveaxis(out, axis, 0), np.moveaxis(z, axis, 0), pixel_nm, tip, depth_nm)
    return out


def _touch_between(out: Array, z: Array, pixel_nm: float, tip: ImageTip, depth_nm: float) -> None:
    """Let the probe touch halfway between samples along the first axis as well."""
    middle = _middles(z)
    count = len(middle)
    for k in range(count):
        add = float(tip.height_nm(np.array((k + 0.5) * pixel_nm)))
        if add > depth_nm:
            break
        np.minimum(out[: count - k], middle[k:] + add, out=out[: count - k])
        np.minimum(out[k + 1 :], middle[: count - k] + add, out=out[k + 1 :])


def _middles(z: Array) -> Array:
    """Heights halfway between rows, no lower than both; infinite beside what is missing."""
    p = np.concatenate([z[:1], z, z[-1:]])
    with np.errstate(invalid="ignore"):  # infinite less infinite beside a hole
        middle = (9.0 * (p[1:-2] + p[2:-1]) - (p[:-3] + p[3:])) / 16.0
    lower = np.minimum(z[:-1], z[1:])
    return np.asarray(np.where(np.isfinite(middle), np.maximum(middle, lower), np.inf))


def _erode_area(z: Array, pixel_nm: tuple[float, float], tip: ImageTip, depth_nm: float) -> Array:
    out = z.copy()
    reach_u = _reach(pixel_nm[0], tip, depth_nm, z.shape[1])
    reach_v = _reach(pixel_nm[1], tip, depth_nm, z.shape[0])
    for dv in range(-reach_v, reach_v + 1):
        for du in range(-reach_u, reach_u + 1):
            distance = np.hypot(du * pixel_nm[0], dv * pixel_nm[1])
            add = float(tip.height_nm(np.array(distance)))
            if (dv or du) and add <= depth_nm:
                _shift_add_min(out, z, dv, du, add)
    return out
