"""Cells added and removed by hand: a log under ``saved/`` to which lines are only ever added.

What is taken back stays in the log beside the line that takes it back, each with who and when.
"""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import Any, Literal

from engine.errors import SplendensError
from engine.store.saved import alone, read_document, save_document

KIND, NAME, FORM = "corrections", "cells", 1
LONGEST_NAME = 64
"""Letters a person's name may have."""

What = Literal["add", "remove"]


@dataclass(frozen=True)
class Correction:
    """One cell added or removed.

    Attributes
    ----------
    number
        Its line in the log, from 1.
    what
        ``add`` or ``remove``.
    x_um, y_um
        Place in the disc frame.
    who, when
        The person's name, and the time (ISO 8601, UTC).
    stands
        False where it was taken back since.
    """

    number: int
    what: What
    x_um: float
    y_um: float
    who: str
    when: str
    stands: bool = True


def corrections_of(store: Path) -> tuple[Correction, ...]:
    """Read all corrections of a store, those taken back included, in the order they were made.

    Raises
    ------
    SplendensError
        If the log is there and can't be read.
    """
    found: dict[int, Correction] = {}
    for number, line in enumerate(_lines(store), start=1):
        try:
            if line["what"] in ("undo", "redo"):
                of = int(line["of"])
                found[of] = replace(found[of], stands=line["what"] == "redo")
                continue
            found[number] = Correction(
                number, _what(line["what"]), float(line["x_um"]), float(line["y_um"]),
                str(line["who"]), str(line["when"]),
            )  # fmt: skip
        except (KeyError, TypeError, ValueError) as error:
            raise SplendensError(
                f"{_place(store)}: line {number}: found {json.dumps(line)[:120]}; "
                "expected a cell added or removed, with place, who and when"
            ) from error
    return tuple(found.values())


def correct_cell(store: Path, what: What, x_um: float, y_um: float, who: str) -> Correction:
    """Add one correction to the log.

    Raises
    ------
    SplendensError
        If nobody is named, the place is not finite, or the log can't be read.
    """
    who = checked_name(who)
    if not (isfinite(x_um) and isfinite(y_um)):
        raise SplendensError(f"a correction's place: found ({x_um}, {y_um}); expected numbers")
    line = {"what": _what(what), "x_um": float(x_um), "y_um": float(y_um)}
    number, when = _append(store, line, who)
    return Correction(number, what, float(x_um), float(y_um), who, when)


def take_back(store: Path, number: int, who: str, back: bool = True) -> None:
    """Take one correction back, or, with ``back`` False, make it stand again.

    Raises
    ------
    SplendensError
        If nobody is named, there is no such correction, or the log can't be read.
    """
    if number not in {c.number for c in corrections_of(store)}:
        raise SplendensError(f"{_place(store)}: no correction {number}")
    _append(store, {"what": "undo" if back else "redo", "of": number}, checked_name(who))


def digest_of(corrections: Iterable[Correction]) -> str:
    """One text for the corrections that stand; who made them and when does not count."""
    standing = sorted((c.what, c.x_um, c.y_um) for c in corrections if c.stands)
    return hashlib.sha256(json.dumps(standing).encode()).hexdigest()


def checked_name(who: str) -> str:
    """Tidy a person's name.

    Raises
    ------
    SplendensError
        If there is none.
    """
    name = " ".join(str(who).split())
    if not name or len(name) > LONGEST_NAME:
        raise SplendensError(
            f"who: found {name[:LONGEST_NAME]!r}; expected a name of 1 to {LONGEST_NAME} letters: "
            "what is changed by hand is kept with it"
        )
    return name


def _what(text: Any) -> What:
    if text == "add":
        return "add"
    if text == "remove":
        return "remove"
    raise ValueError(f"what must be add or remove, got {text!r}")


def _place(store: Path) -> str:
    return f"{store}/saved/{KIND}/{NAME}.json"


def _lines(store: Path) -> list[dict[str, Any]]:
    document = read_document(store, KIND, NAME)
    if document is None:
        return []
    lines = document.get("lines")
    if document.get("form") != FORM or not isinstance(lines, list):
        raise SplendensError(
            f"{_place(store)}: found form {document.get('form')!r}; expected {FORM} with its lines"
        )
    return lines


def _append(store: Path, line: dict[str, Any], who: str) -> tuple[int, str]:
    when = datetime.now(UTC).isoformat(timespec="seconds")
    try:
        with alone(store, KIND):
            lines = [*_lines(store), {**line, "who": who, "when": when}]
            save_document(store, KIND, NAME, {"form": FORM, "lines": lines}, keep_earlier=False)
    except OSError as error:
        reason = error.strerror or str(error)
        raise SplendensError(f"the store can't be written: {reason}") from error
    return len(lines), when
