"""One force curve: approach, retract, model and contact; what the fit leaves; what depth does."""

from __future__ import annotations

from typing import Any

import numpy as np
from bokeh.models import Span
from numpy.typing import NDArray

from viewer.card_curve_facts import CurveFacts
from viewer.card_figures import Look, padded, set_range, small_figure, source
from viewer.card_stretches import ChainLine

_CURVE_PX, _RESIDUAL_PX, _SCAN_PX = 190, 120, 132


class CurvePlot:
    """Deflection against drive or force against indentation, the residual strip beneath."""

    def __init__(self, look: Look) -> None:
        self._facts: CurveFacts | None = None
        self._as_force = False
        self.fig = small_figure(look, height=_CURVE_PX, x_label=" ", y_label=" ")
        self.fig.css_classes = ["card-curve"]
        self.fig.xaxis.axis_label = ""
        self.fig.xaxis.major_label_text_font_size = "0px"
        self.residual = small_figure(
            look, height=_RESIDUAL_PX, x_label=" ", y_label=" ", x_range=self.fig.x_range
        )
        self.residual.yaxis.ticker.desired_num_ticks = 3
        self._approach, self._retract = source(x=[], y=[]), source(x=[], y=[])
        self._model, self._rest = source(x=[], y=[]), source(x=[], y=[])
        self._contact = source(x=[], y=[])
        self._chain = source(xs=[], ys=[])
        self._chains: tuple[ChainLine, ...] = ()
        named = (
            (self._retract, "retract", {"line_color": look.second, "line_width": 1.5}),
            (self._approach, "approach", {"line_color": look.chosen, "line_width": 3}),
            (self._model, "model", {"line_color": look.text, "line_width": 1.3}),
        )
        lines = [
            self.fig.line("x", "y", source=columns, legend_label=name, **style)
            for columns, name, style in named
        ]
        self._lines = (lines[1],)
        self._colours = {True: (look.chosen,), False: (look.second,)}
        self.fig.multi_line(
            "xs", "ys", source=self._chain, line_color=look.text, line_width=2.5,
            line_dash=[5, 3], legend_label="fitted chain",
        )  # fmt: skip
        self._chain_item = self.fig.legend[0].items[-1]
        self._chain_item.visible = False
        self.fig.scatter(
            "x", "y", source=self._contact, size=10, fill_color=look.ground, line_color=look.text,
            line_width=2, legend_label="contact",
        )  # fmt: skip
        self._dress_legend(look)
        for fig in (self.fig, self.residual):
            fig.add_layout(
                Span(location=0, dimension="height", line_color=look.line, line_dash="dashed")
            )
        self.residual.line("x", "y", source=self._rest, line_color=look.data, line_width=1)
        self.residual.add_layout(Span(location=0, dimension="width", line_color=look.line))

    def _dress_legend(self, look: Look) -> None:
        legend = self.fig.legend[0]
        legend.update(
            location="top_left",
            background_fill_color=None,
            border_line_color=None,
            padding=0,
            spacing=0,
            margin=6,
            glyph_height=12,
            label_text_color=look.quiet,
            label_text_font=self.fig.xaxis[0].axis_label_text_font,
            label_text_font_size=self.fig.xaxis[0].axis_label_text_font_size,
        )

    def show(
        self, facts: CurveFacts, used: bool = True, chains: tuple[ChainLine, ...] = ()
    ) -> None:
        """Show a curve, grey where it does not count, and the chains fitted to its way back."""
        self._facts, self._chains = facts, chains
        for line, colour in zip(self._lines, self._colours[used], strict=True):
            line.glyph.line_color = colour
        self._chain_item.visible = bool(chains)
        self._draw()

    def show_trial(self, model_nm: NDArray[np.float64]) -> None:
        """Draw another model (deflection along the curve's drive, nm) and what it leaves."""
        if self._facts is None or self._as_force:
            return
        e, every = self._facts.explained, self._facts.every
        x = np.asarray(self._approach.data["x"])
        self._model.data = {"x": x, "y": model_nm[::every]}
        fitted = np.where(np.isfinite(e.residual_nm), 0.0, np.nan)
        rest = (e.deflection_nm - model_nm + fitted)[::every]
        self._rest.data = {"x": x, "y": rest}
        self._fit_residual(rest)

    def show_force(self, as_force: bool) -> None:
        """Choose force against indentation, or deflection against drive."""
        self._as_force = as_force
        if self._facts is not None:
            self._draw()

    def _draw(self) -> None:
        assert self._facts is not None
        drawn = (_force_columns if self._as_force else _drive_columns)(self._facts)
        self._approach.data, self._retract.data = drawn["approach"], drawn["retract"]
        self._model.data, self._rest.data = drawn["model"], drawn["residual"]
        self._contact.data = drawn["contact"]
        self._draw_chains()
        self.fig.yaxis.axis_label = drawn["y"]
        self.residual.xaxis.axis_label = drawn["x"]
        self.residual.yaxis.axis_label = drawn["rest"]
        set_range(self.fig.x_range, *padded(drawn["approach"]["x"], 0.02))
        both = np.concatenate([drawn["approach"]["y"], drawn["retract"]["y"]])
        set_range(self.fig.y_range, *padded(both, 0.06))
        self._fit_residual(drawn["residual"]["y"])

    def _draw_chains(self) -> None:
        if not self._chains and not self._chain.data["xs"]:
            return  # most curves have none: nothing is sent for them
        names = ("indentation_nm", "force_nN") if self._as_force else ("drive_um", "deflection_nm")
        xs, ys = ([getattr(chain, name) for chain in self._chains] for name in names)
        self._chain.data = {"xs": xs, "ys": ys}

    def _fit_residual(self, rest: NDArray[np.float64]) -> None:
        reach = np.abs(rest)
        reach = reach[np.isfinite(reach)]
        top = 1.1 * float(reach.max()) if reach.size and reach.max() > 0 else 1.0
        set_range(self.residual.y_range, -top, top)


def _xy(x: Any, y: Any, every: int) -> dict[str, Any]:
    return {"x": x[::every], "y": y[::every]}


def _drive_columns(facts: CurveFacts) -> dict[str, Any]:
    e, every = facts.explained, facts.every
    fitted = np.isfinite(facts.contact_z_nm)
    start = facts.contact_z_nm if fitted else float(e.z_nm[0])
    x = (e.z_nm - start) / 1e3
    at = np.interp(start, e.z_nm, np.nan_to_num(e.model_nm))
    return {
        "approach": _xy(x, e.deflection_nm, every),
        "retract": _xy((facts.retract_z_nm - start) / 1e3, facts.retract_deflection_nm, every),
        "model": _xy(x, e.model_nm, every),
        "residual": _xy(x, e.residual_nm, every),
        "contact": {"x": [0.0], "y": [float(at)]} if fitted else {"x": [], "y": []},
        "x": "drive past contact (µm)" if fitted else "drive from its start (µm)",
        "y": "deflection (nm)",
        "rest": "residual (nm)",
    }


def _force_columns(facts: CurveFacts) -> dict[str, Any]:
    e, every = facts.explained, facts.every
    fitted = np.isfinite(facts.contact_z_nm)
    beyond = np.where(np.isfinite(e.residual_nm), 0.0, np.nan)
    return {
        "approach": _xy(e.indentation_nm, e.force_nN, every),
        "retract": _xy(e.retract_indentation_nm, e.retract_force_nN, every),
        "model": _xy(e.indentation_nm, e.model_force_nN, every),
        "residual": _xy(e.indentation_nm, e.force_nN - e.model_force_nN + beyond, every),
        "contact": {"x": [0.0], "y": [0.0]} if fitted else {"x": [], "y": []},
        "x": "indentation (nm)",
        "y": "force (nN)",
        "rest": "residual (nN)",
    }


class DepthScan:
    """The modulus refitted over growing shares of the depth: flat where the model holds."""

    def __init__(self, look: Look) -> None:
        self.fig = small_figure(
            look,
            height=_SCAN_PX,
            x_label="share of the depth that is fitted",
            y_label="modulus (kPa)",
        )
        self._errors = source(x=[], low=[], high=[])
        self._points = source(x=[], y=[])
        self._whole = Span(dimension="width", line_color=look.line, line_dash="dashed")
        self.fig.add_layout(self._whole)
        self.fig.segment("x", "low", "x", "high", source=self._errors, line_color=look.data)
        self.fig.line("x", "y", source=self._points, line_color=look.second)
        self.fig.scatter("x", "y", source=self._points, size=6, color=look.data)

    def show(self, facts: CurveFacts) -> None:
        """Show a curve's scan; nothing where there is none."""
        e = facts.explained
        known = np.isfinite(e.scan_modulus_kPa)
        self.fig.visible = bool(known.any())
        if not known.any():
            return
        x, y = e.scan_fraction[known], e.scan_modulus_kPa[known]
        half = 1.96 * np.nan_to_num(e.scan_se_kPa[known])
        self._points.data = {"x": x, "y": y}
        self._errors.data = {"x": x, "low": y - half, "high": y + half}
        whole = float(e.fit.modulus_kPa[0])
        self._whole.location = whole
        set_range(self.fig.x_range, *padded(x, 0.06))
        # at least 4 % either side: a flat scan must look flat
        low, high = padded([*(y - half), *(y + half), 0.96 * whole, 1.04 * whole], 0.06)
        set_range(self.fig.y_range, low, high)
