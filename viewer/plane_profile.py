"""A mode of the plane: heights along a line one draws, or along a fibril, and the bands on it."""

from __future__ import annotations

from math import isfinite
from threading import Thread
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from engine.collagen import LineProfile, profile_along
from engine.footprint import Footprint
from viewer.card_text import plus_minus, with_unit
from viewer.plane_modes import Mode, ModeMarks
from viewer.plane_panels import Row
from viewer.theme import palette

Floats = NDArray[np.float64]
WIDEST_NM = 300.0
NEAR_PX = 14.0
"""A click this near a traced fibril means it."""
DRAWN_POINTS = 400
CARE = "A line that crosses fibrils may show their spacing: it is a band period only along one."


class ProfileMode(Mode):
    """Two clicks draw a line on a height image; one click takes a traced fibril."""

    name: ClassVar[str] = "profile"
    label: ClassVar[str] = "profile"
    title: ClassVar[str] = "Click two points of a height image for the heights between them."

    _site = ""
    _path: Floats = np.empty((0, 2))
    _profile: LineProfile | None = None
    _width_nm = 30.0
    _along = "line"
    _said = ""

    def offered(self) -> bool:
        """Tell whether the disc has height images."""
        return bool(self.gallery.scene(self.state.disc).heights)

    def begin(self) -> None:
        """Start without a line."""
        self._forget()
        # compiled while the first end is being looked for
        Thread(target=_warm, name="warm-profile", daemon=True).start()

    def end(self) -> None:
        """Leave no line behind."""
        self._forget()

    def _forget(self) -> None:
        self._site, self._path, self._profile, self._said = "", np.empty((0, 2)), None, ""

    def click(self, x_um: float, y_um: float) -> None:
        """Take an end of the line, or the fibril that was meant."""
        site = self._image_at(x_um, y_um)
        if site is None:
            self._said = "There is no height image there."
        elif self._along == "fibril":
            self._take_fibril(site, x_um, y_um)
        else:
            self._take_end(site, x_um, y_um)
        self.changed()

    def _image_at(self, x_um: float, y_um: float) -> str | None:
        for layer in self.gallery.scene(self.state.disc).heights:
            u, v = layer.footprint.from_disc(x_um, y_um)
            foot = layer.footprint
            if abs(u) <= foot.width_um / 2 and abs(v) <= foot.height_um / 2:
                return layer.site
        return None

    def _take_end(self, site: str, x_um: float, y_um: float) -> None:
        u, v = self._foot(site).from_disc(x_um, y_um)
        end = np.array([[1e3 * float(u), 1e3 * float(v)]])
        begins = site != self._site or len(self._path) != 1
        if not begins and not np.ptp(np.vstack([self._path, end]), axis=0).any():
            return
        self._said, self._profile = "", None
        self._site = site
        self._path = end if begins else np.vstack([self._path, end])
        self._measure()

    def _take_fibril(self, site: str, x_um: float, y_um: float) -> None:
        detail = self.gallery.library.detail(self.state.disc, site)
        u, v = (np.asarray(detail.get(f"paths.path_{k}_nm", ())) for k in "uv")
        at_u, at_v = self._foot(site).from_disc(x_um, y_um)
        away = np.hypot(u - 1e3 * float(at_u), v - 1e3 * float(at_v))
        if not len(away) or away.min() > 1e3 * NEAR_PX * self.state.um_per_px:
            self._said = "There is no traced fibril there."
            return
        piece = np.asarray(detail["paths.path_fibril"])
        on = piece == piece[int(np.argmin(away))]
        self._site, self._said = site, ""
        self._path = np.column_stack([u[on], v[on]])
        self._measure()

    def _measure(self) -> None:
        self._profile = None
        if len(self._path) < 2:
            return
        heights = self._heights(self._site)
        foot = self._foot(self._site)
        rows, cols = heights.shape
        pixel = (1e3 * foot.width_um / cols, 1e3 * foot.height_um / rows)
        self._profile = profile_along(heights, pixel, self._path, self._width_nm)

    def _heights(self, site: str) -> NDArray[np.floating]:
        levelled = self.gallery.library.detail(self.state.disc, site).get("levelled_nm")
        if levelled is not None:
            return np.asarray(levelled)
        scene = self.gallery.scene(self.state.disc)
        return next(layer.read() for layer in scene.heights if layer.site == site)

    def _foot(self, site: str) -> Footprint:
        return self.gallery.scene(self.state.disc).sites[site]

    def rows(self) -> list[Row]:
        """Return the choices, the profile, and what was found on it."""
        rows = [
            Row(
                "select", "along", "along", self._along, line="how",
                items=[("line", "a line I draw"), ("fibril", "a traced fibril")],
            ),
            Row(
                "range", "width", "averaged over (nm)", self._width_nm, line="how", low=0.0,
                high=WIDEST_NM, step=5.0, title="width across the line that is averaged",
            ),
        ]  # fmt: skip
        if self._profile is not None:
            rows.append(Row("plot", "heights", value=plot_of(self._profile)))
            rows.append(Row("text", "found", value=profile_words(self._profile)))
            if self._along == "line" and isfinite(self._profile.period_nm):
                rows.append(Row("text", "care", value=CARE))
        elif self._said or len(self._path) == 1:
            rows.append(Row("text", "found", value=self._said or "Now the other end."))
        return rows

    def act(self, key: str, value: Any) -> None:
        """Change the width, or what a click takes."""
        if key == "along" and value in ("line", "fibril"):
            self._along = value
            self._forget()
        elif key == "width" and isinstance(value, int | float) and 0 <= value <= WIDEST_NM:
            self._width_nm = float(value)
            self._measure()
        self.changed()

    def marks(self) -> ModeMarks:
        """Draw the line, its ends, and the maxima of its bands."""
        marks = ModeMarks()
        if not len(self._path):
            return marks
        colour = palette(self.state.dark).accent
        x, y = self._foot(self._site).to_disc(*(1e-3 * self._path.T))
        if len(x) > 1:
            marks.line(x.tolist(), y.tolist(), colour=colour, width=2.5)
        for end in {0, len(x) - 1}:
            marks.point(x[end], y[end], size=9, fill=colour, line=colour)
        profile = self._profile
        if profile is not None and len(profile.band_nm):
            u = np.interp(profile.band_nm, profile.distance_nm, profile.u_nm)
            v = np.interp(profile.band_nm, profile.distance_nm, profile.v_nm)
            for bx, by in zip(*self._foot(self._site).to_disc(1e-3 * u, 1e-3 * v), strict=True):
                marks.point(bx, by, size=5, fill="#ffffff", line=colour)
        return marks


def _warm() -> None:
    profile_along(np.zeros((8, 8)), (1.0, 1.0), np.array([[-2.0, 0.0], [2.0, 0.0]]))


def plot_of(profile: LineProfile) -> dict[str, Any]:
    """Return the profile as plain values for the page to draw."""
    known = np.flatnonzero(np.isfinite(profile.height_nm))
    every = max(1, len(known) // DRAWN_POINTS)
    kept = known[::every]
    return {
        "x": [round(float(v), 2) for v in profile.distance_nm[kept]],
        "y": [round(float(v), 3) for v in profile.height_nm[kept]],
        "marks": [round(float(v), 2) for v in profile.band_nm],
        "x_label": "along the line (nm)",
        "y_label": "height (nm)",
    }


def profile_words(profile: LineProfile) -> str:
    """Say how long the line is, and whether there are bands on it."""
    length = with_unit(float(profile.distance_nm[-1]), "nm")
    rise = with_unit(float(np.ptp(profile.height_nm[np.isfinite(profile.height_nm)])), "nm")
    if not np.isfinite(profile.height_nm).any():
        return f"{length} long; no datum under it."
    first = f"{length} long, heights over {rise}. "
    if isfinite(profile.period_nm):
        period = plus_minus(profile.period_nm, profile.period_se_nm, "nm")
        return (
            f"{first}\nBands every {period} (dots), amplitude "
            f"{with_unit(profile.amplitude_nm, 'nm', 2)}; peak {profile.ratio:.0f} times its "
            f"background, {profile.ratio_needed:.0f} needed."
        )
    if not profile.resolvable:
        return f"{first}\nToo short, or pixels too coarse, to tell bands on it."
    return (
        f"{first}\nNo bands told: peak {profile.ratio:.1f} times its background, "
        f"{profile.ratio_needed:.1f} needed."
    )
