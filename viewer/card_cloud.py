"""All curves of a map in one figure, as density, with the chosen one on top."""

from __future__ import annotations

from typing import Any

import numpy as np
from bokeh.events import RangesUpdate
from bokeh.models import Span

from viewer.card_cloud_facts import (
    DEFLECTION,
    DEPTH,
    DRIVE,
    FORCE,
    Box,
    Bytes,
    CurveCloud,
    curve_cloud,
    density,
    over,
)
from viewer.card_curve_facts import CurveFacts
from viewer.card_facts import MapFacts, SiteFacts
from viewer.card_figures import Look, set_range, small_figure, source
from viewer.card_spread import words_of_spread
from viewer.library import Library

_HEIGHT_PX = 270
_KEPT = "cloud"


def warm_cloud(library: Library, site: SiteFacts, found: MapFacts, look: Look) -> None:
    """Compile what a first picture needs."""
    cloud = curve_cloud(library, site, found, False)
    density(cloud.used, cloud.curves_used, cloud.whole, look.data)


class CloudPlot:
    """The density of all curves; a dragged box is drawn anew at its own sharpness.

    Parameters
    ----------
    look, library
        Colours and the open discs.
    """

    def __init__(self, look: Look, library: Library) -> None:
        self._look, self._library = look, library
        self._site: SiteFacts | None = None
        self._found: MapFacts | None = None
        self._cloud: CurveCloud | None = None
        self._drawn: tuple[Any, ...] = ()
        self._box = Box(0.0, 1.0, 0.0, 1.0)
        self._as_force = False
        self.fig = small_figure(look, height=_HEIGHT_PX, x_label=" ", y_label=" ")
        self.fig.css_classes = ["card-cloud"]
        self._image = source(image=[], x=[], y=[], dw=[], dh=[])
        self.fig.image_rgba("image", "x", "y", "dw", "dh", source=self._image)
        for side in ("height", "width"):
            self.fig.add_layout(
                Span(location=0, dimension=side, line_color=look.line, line_dash="dashed")
            )
        self._chosen = source(x=[], y=[])
        for width, colour in ((5, look.ground), (2.5, look.chosen)):
            self.fig.line("x", "y", source=self._chosen, line_color=colour, line_width=width)
        self.fig.on_event(RangesUpdate, self._zoomed)

    def show(self, site: SiteFacts, found: MapFacts, as_force: bool) -> None:
        """Show a map; what is shown already is left alone."""
        wanted = (site.disc, site.run, site.stored.site, str(as_force))
        if wanted == self._drawn:
            return
        self._site, self._found, self._as_force = site, found, as_force
        self._cloud, self._drawn = None, wanted
        x, y = (DEPTH, FORCE) if as_force else (DRIVE, DEFLECTION)
        self.fig.xaxis.axis_label, self.fig.yaxis.axis_label = x.pprint_label, y.pprint_label
        key = (_KEPT, *wanted, str(self._look.dark))
        picture, self._box = self._library.kept(key, self._whole)
        set_range(self.fig.x_range, self._box.x0, self._box.x1)
        set_range(self.fig.y_range, self._box.y0, self._box.y1)
        self._put(picture, self._box)

    def choose(self, facts: CurveFacts) -> None:
        """Lay one curve over the others."""
        e, fit = facts.explained, facts.explained.fit
        if not np.isfinite(facts.contact_z_nm):
            self._chosen.data = {"x": [], "y": []}
            return
        line = fit.baseline_offset_nm[0] + fit.baseline_slope[0] * e.z_nm
        drive = (e.z_nm - facts.contact_z_nm) / 1e3, e.deflection_nm - line
        x, y = (e.indentation_nm, e.force_nN) if self._as_force else drive
        self._chosen.data = {"x": x[:: facts.every], "y": y[:: facts.every]}

    def _loaded(self) -> CurveCloud:
        assert self._site is not None
        assert self._found is not None
        if self._cloud is None:
            self._cloud = curve_cloud(self._library, self._site, self._found, self._as_force)
        return self._cloud

    def _whole(self) -> tuple[Bytes, Box]:
        return self._draw(self._loaded().whole), self._loaded().whole

    def _draw(self, box: Box) -> Bytes:
        cloud = self._loaded()
        used = density(cloud.used, cloud.curves_used, box, self._look.data)
        left_out = density(cloud.left_out, cloud.curves_left_out, box, self._look.second)
        return over(left_out, used)

    def _put(self, picture: Bytes, box: Box) -> None:
        words = np.ascontiguousarray(picture).view(np.uint32)[..., 0]
        self._image.data = {
            "image": [words],
            "x": [box.x0],
            "y": [box.y0],
            "dw": [box.x1 - box.x0],
            "dh": [box.y1 - box.y0],
        }

    def _zoomed(self, event: Any) -> None:
        if self._site is None or None in (event.x0, event.x1, event.y0, event.y1):
            return
        box = Box(event.x0, event.x1, event.y0, event.y1)
        if box != self._box and box.x1 > box.x0 and box.y1 > box.y0:
            self._box = box
            self._put(self._draw(box), box)


def cloud_html(found: MapFacts, as_force: bool) -> str:
    """Say what the picture of all curves shows, and how many of each kind there are."""
    used, out = int(found.used.sum()), int((found.taken & ~found.used).sum())
    untouched = sum(
        "no_contact" in found.flags[i].split(";") for i in np.flatnonzero(found.taken & ~found.used)
    )
    frame = "force against indentation" if as_force else "the baseline is taken off"
    left = f"; {out} left out, in a fainter grey beneath" if out else "; none is left out"
    some = words_of_spread(found.rows, found.cols)
    some = f" Drawn: {some}." if some else ""
    lost = f" ({untouched} never touched)" if untouched else ""
    return (
        f'<p class="quiet">{used} curves that count, the stronger the more of them run there'
        f"{left}{lost}. Each starts at its own contact, {frame}; those without one at the map's "
        f"median.{some} "
        "In colour: the chosen curve. Drag a box to zoom, double-click to see all.</p>"
    )
