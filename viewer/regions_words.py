"""The words of the comparison tray: numbers in, escaped HTML out, nothing of Panel."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from math import isfinite

from engine.across import MedianInterval, PairDifference, RegionComparison
from engine.cells.patterns import PATTERNS
from viewer.card_text import (
    DASH,
    pattern_words,
    plain_number,
    value_and_interval,
)
from viewer.regions_data import KIND_WORDS, Holding, TrayNumbers, cautions_of, shares_of
from viewer.theme import pattern_glyph

_MARK_PATHS = {
    "A": '<circle cx="0" cy="0" r="5"/>',
    "B": '<path d="M0 -5.6L5.6 4.4L-5.6 4.4Z"/>',
    "C": '<rect x="-4.5" y="-4.5" width="9" height="9"/>',
    "D": '<path d="M0 -6.2L5 0L0 6.2L-5 0Z"/>',
}

EMPTY_HTML = (
    '<p class="hint">Draw round a part of the disc with the lasso or the box: it becomes '
    "region A, the next one B. Their sites are then compared here, whatever is measured.</p>"
)
ONE_REGION_HTML = (
    '<p class="hint">Draw a second region to see the difference, with its interval, the test and '
    "the effect size.</p>"
)


def heads_html(cells: bool) -> str:
    """Head the columns of the regions."""
    what = "density" if cells else "median, 95 % interval"
    return f'<div class="heads"><span>region</span><span>{what}</span></div>'


def mark_svg(letter: str, colour: str) -> str:
    """Draw a region's mark, the same shape as its sites have in the plots."""
    return (
        f'<svg class="mark" width="14" height="14" viewBox="-7 -7 14 14" fill="{colour}" '
        f'aria-hidden="true">{_MARK_PATHS[letter]}</svg>'
    )


def median_html(median: MedianInterval, unit: str) -> str:
    """Median with unit and interval; says so where there are too few sites for one."""
    if not isfinite(median.median):
        return '<span class="none">no site with it</span>'
    if median.method == "none":
        number, interval = plain_number(median.median), "no interval"
    else:
        number, span = value_and_interval(median.median, median.low, median.high)
        interval = f"{span}" if span else "all equal"
    unit_html = f'<span class="unit">{escape(unit)}</span>' if unit else ""
    return f'<b class="number">{number}</b>{unit_html}<span class="span">{interval}</span>'


def density_html(held: Holding) -> str:
    """Cell density of a region."""
    if not held.cells.cells:
        return '<span class="none">no cell</span>'
    number = plain_number(held.cells.density_per_mm2)
    return f'<b class="number">{number}</b><span class="unit">cells per mm²</span>'


def whole(count: int) -> str:
    """Write a count, its thousands apart."""
    return f"{count:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def _some(count: int, one: str, many: str) -> str:
    return f"{whole(count)} {one if count == 1 else many}"


def sites_words(held: Holding, with_value: int | None) -> str:
    """Sites of a region, those with the quantity first, and their kinds."""
    total = int(held.sites.sum())
    kinds = ", ".join(f"{n} {KIND_WORDS.get(k, k)}" for k, n in sorted(held.kinds.items()))
    count = _some(total, "site", "sites")
    if with_value is not None and with_value != total:
        count = f"{with_value} of {count}"
    return f"{count} ({kinds})" if kinds else count


def counts_html(held: Holding, with_value: int | None, several_discs: bool) -> str:
    """Write counts at each level, in three lines."""
    curves = "no curves"
    if held.curves_total:
        curves = f"{whole(held.curves_used)} of {whole(held.curves_total)} curves used"
    last = [_some(len(held.donors), "donor", "donors"), f"{plain_number(held.cells.area_mm2)} mm²"]
    if several_discs:
        last.append(f"disc {held.disc}")
    lines = (
        sites_words(held, with_value),
        f"{curves} · {_some(held.cells.cells, 'cell', 'cells')}",
        " · ".join(last),
    )
    return f'<div class="counts">{"".join(f"<div>{escape(line)}</div>" for line in lines)}</div>'


def mark_html(letter: str, colour: str) -> str:
    """Mark and letter of a region."""
    return f'{mark_svg(letter, colour)}<span class="letter">{letter}</span>'


def _mark(letter: str, colours: dict[str, str]) -> str:
    return mark_html(letter, colours[letter])


def _p_words(p: float) -> str:
    if not isfinite(p):
        return DASH
    if p < 0.0001:
        return "&lt; 0.0001"
    return plain_number(p, 2)


def _interval_words(value: float, low: float, high: float) -> str:
    number, span = value_and_interval(value, low, high)
    return (
        f'{number} <span class="span">({span})</span>'
        if span
        else f"{number} <small>(no interval)</small>"
    )


def pair_html(pair: PairDifference, unit: str, tests: int, colours: dict[str, str]) -> str:
    """One pair: shift, p and effect size, each with its interval."""
    title = f"{_mark(pair.first, colours)}<i>−</i>{_mark(pair.second, colours)}"
    head = f'<span class="pair-title">{title}</span>'
    if not isfinite(pair.shift.shift):
        nothing = "one of the two holds no site with this quantity"
        return f'<section class="pair">{head} <span class="none">{nothing}</span></section>'
    number, span = value_and_interval(pair.shift.shift, pair.shift.low, pair.shift.high)
    sign = "+" if pair.shift.shift > 0 else ""
    interval = f"({span})" if span else "too few sites for an interval"
    test = "p" if tests > 1 else "p (Brunner–Munzel)"
    holm = f", <small>Holm of {tests}</small> {_p_words(pair.p_holm)}" if tests > 1 else ""
    delta = _interval_words(pair.delta.delta, pair.delta.low, pair.delta.high)
    return (
        f'<section class="pair"><div class="shift">{head}'
        f'<b class="number">{sign}{number}</b><span class="unit">{escape(unit)}</span> '
        f'<span class="span">{interval}</span></div>'
        f"<div><small>{test}</small> {_p_words(pair.test.p)}{holm}</div>"
        f"<div><small>Cliff's delta</small> {delta}</div></section>"
    )


def differences_html(numbers: TrayNumbers, colours: dict[str, str]) -> str:
    """All pairs with what to mind and what was tested, or what is missing for a pair."""
    if not numbers.holdings:
        return EMPTY_HTML
    comparison = numbers.comparison
    if comparison is None:
        return shares_html(numbers.holdings, colours) + care_html(cautions_of(numbers))
    if not comparison.pairs:
        return ONE_REGION_HTML + _moduli_html(numbers.moduli) + care_html(cautions_of(numbers))
    count = sum(isfinite(pair.test.p) for pair in comparison.pairs)
    pairs = "".join(pair_html(pair, comparison.unit, count, colours) for pair in comparison.pairs)
    care = care_html((*_pair_cautions(comparison), *cautions_of(numbers)))
    return pairs + _moduli_html(numbers.moduli) + care + _tested_html(comparison)


def _moduli_html(sentences: Sequence[str]) -> str:
    """Tell what moduli rest on and what of them may be compared."""
    lines = "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)
    return f'<div class="tested">{lines}</div>' if lines else ""


def _tested_html(comparison: RegionComparison) -> str:
    """Tell what was tested in each pair, and what the brackets are."""
    several = len(comparison.pairs) > 1
    what = "".join(
        f"<p>{f'{pair.first}−{pair.second}: ' if several else ''}{escape(pair.tested)}</p>"
        for pair in comparison.pairs
    )
    level = f"{100 * comparison.level:g} %"
    return (
        f'<div class="tested"><b>What was tested</b>{what}'
        f"<p>Large: Hodges–Lehmann shift. p: Brunner–Munzel. "
        f"In brackets: {level} intervals.</p></div>"
    )


def _pair_cautions(comparison: RegionComparison) -> list[str]:
    """Cautions of the pairs, each once, with the pairs it concerns where not all of them."""
    concerned: dict[str, list[str]] = {}
    for pair in comparison.pairs:
        for sentence in pair.cautions:
            concerned.setdefault(sentence, []).append(f"{pair.first}−{pair.second}")
    every = len(comparison.pairs)
    return [
        sentence if len(pairs) == every else f"{', '.join(pairs)}: {sentence}"
        for sentence, pairs in concerned.items()
    ]


def care_html(sentences: Sequence[str]) -> str:
    """List what to read with care; empty where there is nothing."""
    items = "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)
    return f'<div class="care"><b>Read with care</b><ul>{items}</ul></div>' if items else ""


def shares_html(holdings: Sequence[Holding], colours: dict[str, str]) -> str:
    """Shares of the five arrangements, a column a region."""
    heads = "".join(f"<th>{_mark(held.letter, colours)}</th>" for held in holdings)
    shares = shares_of(holdings)
    rows = []
    for index, pattern in enumerate(PATTERNS):
        cells = "".join(f"<td>{_share(value)}</td>" for value in shares[:, index])
        colour = f"var(--{pattern.replace('_', '-')})"
        glyph = pattern_glyph(pattern, colour, 16)
        rows.append(f"<tr><th>{glyph}{pattern_words(pattern)}</th>{cells}</tr>")
    counts = "".join(f"<td>{whole(held.cells.cells)}</td>" for held in holdings)
    doubts = "".join(
        f"<td>{DASH if held.ambiguous < 0 else whole(held.ambiguous)}</td>" for held in holdings
    )
    counts += f"</tr><tr><th>of them ambiguous</th>{doubts}"
    return (
        f'<table class="shares"><thead><tr><th>% of cells</th>{heads}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody><tfoot><tr><th>cells</th>{counts}</tr></tfoot></table>"
    )


def _share(value: float) -> str:
    return DASH if not isfinite(value) else f"{100 * value:.0f}"
