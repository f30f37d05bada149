"""Words of the point statistics: numbers in, escaped HTML or CSV out, nothing of Panel."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from html import escape
from io import StringIO
from math import isfinite
from typing import Any

import numpy as np

from engine.cells import Neighbours
from engine.cells.arrangement import FEWEST_CELLS, SIMULATIONS
from viewer.card_text import DASH, plain_number, value_and_interval
from viewer.regions_data import Holding
from viewer.regions_points import PointNumbers
from viewer.regions_words import mark_html, whole

_WAITING = '<span class="none">computing</span>'
_FEW = '<span class="none">too few cells</span>'


def _interval(value: float, low: float, high: float) -> str:
    if not isfinite(value):
        return DASH
    number, span = value_and_interval(value, low, high)
    return f'<b>{number}</b> <span class="span">{span}</span>' if span else f"<b>{number}</b>"


def _density(n: Neighbours) -> str:
    return _interval(n.density.per_mm2, n.low_per_mm2, n.high_per_mm2)


def _nearest(n: Neighbours) -> str:
    return _interval(n.nearest_um[1], n.nearest_um[0], n.nearest_um[2])


def _ratio(n: Neighbours) -> str:
    return _interval(n.clark_evans.ratio_corrected, n.ratio_low, n.ratio_high)


def _direction(n: Neighbours) -> str:
    if not n.string_cells:
        return '<span class="none">no strings</span>'
    return f'<b>{n.angle_deg:.0f}°</b> <span class="span">order {n.order:.2f}</span>'


def _p(found: PointNumbers) -> str:
    assert found.clustering is not None
    return plain_number(found.clustering.envelope.p, 2)


def _strongest(found: PointNumbers) -> str:
    assert found.clustering is not None
    at = found.clustering.strongest_um
    envelope = found.clustering.envelope
    value = float(envelope.observed[np.argmin(np.abs(envelope.radii - at))])
    sign = "+" if value > 0 else ""
    return f'<b>{sign}{plain_number(value, 2)}</b> <span class="span">at {at:.0f} µm</span>'


def _pairs(found: PointNumbers) -> str:
    assert found.clustering is not None
    pairs = found.clustering.pairs
    if not np.isfinite(pairs.g).any():
        return DASH
    at = int(np.nanargmax(pairs.g))
    times = plain_number(float(pairs.g[at]), 2)
    return f'<b>{times} ×</b> <span class="span">at {pairs.radii[at]:.0f} µm</span>'


_FIT = 2
"""Regions whose numbers and intervals stand on one line."""

_MEANT = (
    '<div class="tested"><p>Density: 95 % interval that counts groups as wholes. Nearest cell: '
    "median, quartiles. Clark–Evans R: 1 without order, less where cells cluster. Line: L(r) − r, "
    f"above 0 more neighbours within r than by chance; band: {SIMULATIONS} scatterings of as many "
    "cells over the same region.</p></div>"
)

_AT_ONCE: tuple[tuple[str, str, Callable[[Neighbours], str]], ...] = (
    ("density, 1/mm²", "95 % interval that counts groups of cells as wholes", _density),
    ("nearest cell, µm", "median, and the quartiles", _nearest),
    ("Clark–Evans R", "1 without order; border corrected, 95 % interval", _ratio),
    ("strings run at", "mean axis of string cells; order 1: all one way", _direction),
)
_LATER: tuple[tuple[str, str, Callable[[PointNumbers], str]], ...] = (
    ("L(r) − r, µm", "where it departs most from cells without order", _strongest),
    ("p, no order", f"one test of the whole curve, {SIMULATIONS} scatterings", _p),
    ("most pairs", "peak of the pair correlation; 1 × without order", _pairs),
)


def points_html(
    holdings: Sequence[Holding], found: Mapping[str, PointNumbers], colours: dict[str, str]
) -> str:
    """Point statistics, a column a region.

    Parameters
    ----------
    holdings
        The regions.
    found
        Letter to what is known.
    colours
        Letter to colour.
    """
    heads = "".join(f"<th>{mark_html(h.letter, colours[h.letter])}</th>" for h in holdings)
    every = [found[h.letter] for h in holdings]
    rows = [
        _row(name, title, [_at_once(one, say) for one in every]) for name, title, say in _AT_ONCE
    ]
    rows += [_row(name, title, [_later(one, say) for one in every]) for name, title, say in _LATER]
    kind = "shares points many" if len(every) > _FIT else "shares points"
    return (
        f'<table class="{kind}"><thead><tr><th></th>{heads}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table>{_MEANT}"
    )


def _row(name: str, title: str, cells: Sequence[str]) -> str:
    held = "".join(f"<td>{cell}</td>" for cell in cells)
    return f'<tr title="{escape(title)}"><th>{escape(name)}</th>{held}</tr>'


def _at_once(found: PointNumbers, say: Callable[[Neighbours], str]) -> str:
    if found.neighbours is None:
        return _WAITING if found.waiting else DASH
    return say(found.neighbours)


def _later(found: PointNumbers, say: Callable[[PointNumbers], str]) -> str:
    if found.clustering is not None:
        return say(found)
    return _WAITING if found.waiting else _FEW


def points_cautions(
    holdings: Sequence[Holding], found: Mapping[str, PointNumbers]
) -> tuple[str, ...]:
    """Sentences on what to mind."""
    said = [
        "Cells are described, not tested against each other: regions of one disc are neighbours.",
    ]
    for held in holdings:
        one = found[held.letter]
        if one.problem:
            said.append(f"{held.letter}: {one.problem}.")
        pairs = one.clustering
        if pairs is not None and pairs.asked < pairs.cells:
            part, all_of = whole(pairs.asked), whole(pairs.cells)
            said.append(
                f"{held.letter}: pairs are counted among {part} of {all_of} cells, drawn by "
                "chance; this leaves the curve as it is."
            )
        elif pairs is None and not one.waiting and not one.problem:
            said.append(f"{held.letter}: fewer than {FEWEST_CELLS} cells, no curve.")
    return tuple(said)


_COLUMNS = ("region", "name", "disc", "statistic", "r_um", "value", "low", "high", "unit", "what")


def points_csv(
    holdings: Sequence[Holding], found: Mapping[str, PointNumbers], runs: Mapping[str, str | None]
) -> str:
    """Point statistics as CSV, a line a number; curves a line a distance.

    Parameters
    ----------
    holdings, found
        Regions and what is known of them; what is still worked out is left out.
    runs
        Disc to the run its numbers come from.
    """
    out = StringIO()
    for disc, run in runs.items():
        out.write(f"# disc {' '.join(disc.split())}, {run or 'no run'}\n")
    for sentence in points_cautions(holdings, found):
        out.write(f"# {sentence}\n")
    out.write("# for research and teaching; not a diagnostic device\n")
    writer = csv.DictWriter(out, _COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for held in holdings:
        name = " ".join(held.name.split())
        name = f"'{name}" if name.startswith(("=", "+", "-", "@")) else name
        of = {"region": held.letter, "name": name, "disc": held.disc}
        for line in (*_single_lines(found[held.letter]), *_curve_lines(found[held.letter])):
            writer.writerow(of | {k: _text(v) for k, v in line.items()})
    return out.getvalue()


def _text(value: Any) -> Any:
    if isinstance(value, float):
        return repr(float(value)) if isfinite(value) else ""
    return value


def _line(statistic: str, value: float, unit: str, what: str, **more: float) -> dict[str, Any]:
    return {
        "statistic": statistic, "value": float(value), "unit": unit, "what": what,
        **{k: float(v) for k, v in more.items()},
    }  # fmt: skip


def _single_lines(found: PointNumbers) -> list[dict[str, Any]]:
    n = found.neighbours
    if n is None:
        return []
    d, c, q = n.density, n.clark_evans, n.nearest_um
    poisson, groups = "95 %, cells independent", "95 %, groups counted as wholes"
    lines = [
        _line("cells", d.cells, "", "in the region"),
        _line("density", d.per_mm2, "1/mm2", groups, low=n.low_per_mm2, high=n.high_per_mm2),
        _line("density", d.per_mm2, "1/mm2", poisson, low=d.low_per_mm2, high=d.high_per_mm2),
        _line("nearest_distance", q[1], "um", "median and quartiles", low=q[0], high=q[2]),
        _line("clark_evans", c.ratio, "", "without regard to the border"),
        _line(
            "clark_evans_donnelly", c.ratio_corrected, "", "95 %", low=n.ratio_low,
            high=n.ratio_high,
        ),
        _line("clark_evans_p", c.p, "", "two-sided, normal"),
        _line("string_direction", n.angle_deg, "deg", "mean axis of string cells"),
        _line("string_order", n.order, "", "0 to 1"),
    ]  # fmt: skip
    if found.clustering is not None:
        lines.append(_line("no_order_p", found.clustering.envelope.p, "", "whole curve"))
    return lines


def _curve_lines(found: PointNumbers) -> list[dict[str, Any]]:
    lines = []
    if found.neighbours is not None:
        n = found.neighbours
        for r, share in zip(n.radii_um, n.nearest_share, strict=True):
            lines.append(_line("nearest_within", share, "", "border method", r_um=r))
    if found.clustering is not None:
        e, pairs = found.clustering.envelope, found.clustering.pairs
        band = f"lowest and highest of {e.simulations}"
        for i, r in enumerate(e.radii):
            lines.append(
                _line("L_minus_r", e.observed[i], "um", band, r_um=r, low=e.low[i], high=e.high[i])
            )
            lines.append(_line("K", found.clustering.k[i], "um2", "isotropic", r_um=r))
        for r, g in zip(pairs.radii, pairs.g, strict=True):
            lines.append(_line("pair_correlation", g, "", "isotropic", r_um=r))
    return lines
