"""Keeping regions in the store's ``saved/``, and writing a comparison as CSV."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from io import StringIO
from math import isfinite
from typing import Any

from engine.across import PairDifference
from engine.cells.patterns import PATTERNS
from engine.errors import SplendensError
from engine.store.saved import forget_document, save_document, saved_documents
from viewer.library import Library
from viewer.regions_data import Holding, TrayNumbers, cautions_of
from viewer.state import REGION_LETTERS, Region, make_region

KIND = "regions"
"""Kind of document under ``saved/``."""

LONGEST_NAME = 24
"""Letters a region's name may have."""

_FORM = 1


def save_regions(
    library: Library,
    disc: str,
    document: str,
    regions: Mapping[str, Region],
    names: Mapping[str, str],
    who: str = "",
) -> None:
    """Keep regions under a name in one disc's store.

    Parameters
    ----------
    library
        The open discs.
    disc
        Whose store keeps them; the regions may lie on any disc.
    document
        Name to keep them under; one that exists is replaced.
    regions, names
        Letter to region, and letter to what a person called it.
    who
        The person's name, if they gave it.

    Raises
    ------
    SplendensError
        If there is no region, the name has letters a file name can't have, or the store can't be
        written.
    """
    if not regions:
        raise SplendensError("there is no region to save: draw one first")
    body = {
        letter: {
            "disc": region.disc,
            "name": names.get(letter, ""),
            "polygon_um": region.polygon_um.tolist(),
        }
        for letter, region in regions.items()
    }
    try:
        path = library.store(disc).path
        save_document(path, KIND, document, {"form": _FORM, "regions": body}, who)
    except OSError as error:
        raise SplendensError(f"the store can't be written: {error.strerror or error}") from error


def saved_names(library: Library, disc: str) -> list[str]:
    """Names under which regions are kept in a disc's store."""
    return list(saved_documents(library.store(disc).path, KIND))


def load_regions(
    library: Library, disc: str, document: str
) -> tuple[dict[str, Region], dict[str, str]]:
    """Read regions kept under a name.

    Returns
    -------
    regions, names
        Letter to region, and letter to what a person called it. Regions on discs that are not open
        are left out.

    Raises
    ------
    SplendensError
        If there is no such document, or it holds no regions.
    """
    found = saved_documents(library.store(disc).path, KIND)
    if document not in found:
        raise SplendensError(f"no regions are kept as {document!r}")
    try:
        read = {
            letter: (make_region(body["disc"], body["polygon_um"]), str(body.get("name", "")))
            for letter, body in found[document]["regions"].items()
            if letter in REGION_LETTERS and body["disc"] in library.discs
        }
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise SplendensError(f"{document!r} can't be read: {error}") from error
    if not read:
        raise SplendensError(f"{document!r} holds no region of an open disc")
    regions = {letter: read[letter][0] for letter in sorted(read)}
    return regions, {letter: read[letter][1][:LONGEST_NAME] for letter in regions}


def forget_regions(library: Library, disc: str, document: str, who: str = "") -> None:
    """Put what is kept under a name out of sight; the store keeps it aside.

    Raises
    ------
    SplendensError
        If the name has letters a file name can't have, or the store can't be written.
    """
    try:
        forget_document(library.store(disc).path, KIND, document, who)
    except OSError as error:
        raise SplendensError(f"the store can't be written: {error.strerror or error}") from error


_COLUMNS = (
    "row", "region", "against", "name", "disc", "area_mm2", "sites_total", "sites_with_quantity",
    "curves_used", "curves_total", "cells", "donors",
    *(f"cells_{p}" for p in PATTERNS), *(f"fraction_{p}" for p in PATTERNS),
    "quantity", "unit", "median", "median_ci_low", "median_ci_high",
    "shift", "shift_ci_low", "shift_ci_high", "brunner_munzel_p", "p_holm",
    "cliffs_delta", "cliffs_delta_ci_low", "cliffs_delta_ci_high", "level", "tested", "flags",
    "polygon_um",
)  # fmt: skip


def comparison_csv(numbers: TrayNumbers, runs: Mapping[str, str | None]) -> str:
    """Write a comparison: a line a region, a line a pair, cautions as comments before them.

    Parameters
    ----------
    numbers
        What the tray shows.
    runs
        Disc to the run its numbers come from.

    Returns
    -------
    str
        CSV; lines that begin with ``#`` are comments. What could not be had is empty.
    """
    out = StringIO()
    for disc, run in runs.items():
        out.write(f"# disc {_one_line(disc)}, {run or 'no run'}\n")
    if numbers.kind:
        out.write(f"# sites of kind {_one_line(numbers.kind)} only\n")
    for sentence in (*numbers.moduli, *cautions_of(numbers)):
        out.write(f"# {_one_line(sentence)}\n")
    out.write("# for research and teaching; not a diagnostic device\n")
    writer = csv.DictWriter(out, _COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for index, held in enumerate(numbers.holdings):
        writer.writerow(_region_line(held) | _median_columns(numbers, index))
    for pair in numbers.comparison.pairs if numbers.comparison else ():
        writer.writerow(_pair_line(numbers, pair))
    return out.getvalue()


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _safe(text: str) -> str:
    # a spreadsheet would run a text that begins so as a formula
    text = _one_line(text)
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) else text


def _number(value: float) -> str:
    return repr(float(value)) if isfinite(value) else ""


def _region_line(held: Holding) -> dict[str, Any]:
    cells = held.cells
    return {
        "row": "region",
        "region": held.letter,
        "name": _safe(held.name),
        "disc": held.disc,
        "area_mm2": _number(cells.area_mm2),
        "sites_total": int(held.sites.sum()),
        "curves_used": held.curves_used,
        "curves_total": held.curves_total,
        "cells": cells.cells,
        "donors": ";".join(held.donors),
        **{f"cells_{p}": int(n) for p, n in zip(PATTERNS, cells.counts, strict=True)},
        **{f"fraction_{p}": _number(v) for p, v in zip(PATTERNS, cells.fractions, strict=True)},
        "polygon_um": " ".join(f"{x:.10g},{y:.10g}" for x, y in held.polygon_um),
    }


def _median_columns(numbers: TrayNumbers, index: int) -> dict[str, Any]:
    if numbers.comparison is None:
        return {"quantity": "arrangement of the cells"}
    region = numbers.comparison.regions[index]
    return {
        "sites_with_quantity": region.sites,
        "quantity": numbers.choice.removeprefix("sites."),
        "unit": numbers.comparison.unit,
        "median": _number(region.median.median),
        "median_ci_low": _number(region.median.low),
        "median_ci_high": _number(region.median.high),
        "level": numbers.comparison.level,
        "flags": ";".join(region.flags),
    }


def _pair_line(numbers: TrayNumbers, pair: PairDifference) -> dict[str, Any]:
    comparison = numbers.comparison
    assert comparison is not None
    return {
        "row": "difference",
        "region": pair.first,
        "against": pair.second,
        "quantity": numbers.choice.removeprefix("sites."),
        "unit": comparison.unit,
        "shift": _number(pair.shift.shift),
        "shift_ci_low": _number(pair.shift.low),
        "shift_ci_high": _number(pair.shift.high),
        "brunner_munzel_p": _number(pair.test.p),
        "p_holm": _number(pair.p_holm),
        "cliffs_delta": _number(pair.delta.delta),
        "cliffs_delta_ci_low": _number(pair.delta.low),
        "cliffs_delta_ci_high": _number(pair.delta.high),
        "level": comparison.level,
        "tested": pair.tested,
        "flags": ";".join(pair.flags),
    }
