"""Which stains of the mosaic are shown, in which colour and between which values, as one text.

The text stands in the address bar and in the address of every picture: one entry a stain that was
touched, joined by ``;``: the stain's name as in column names, ``,``, the letter of its ink
(`engine.view.stains.INKS`), and ``:low~high`` where the window was set by hand; a ``.`` before it
hides the stain. What the text does not name is as it is by default: the nuclei in grey, all others
hidden. Names, because discs may hold the same stains in another order.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from math import isfinite

from engine.stains import stems
from engine.view import Stain
from engine.view.load import NUCLEI
from engine.view.stains import GREY, INKS

_ENTRY = re.compile(r"(\.?)(\w{1,200}),([a-z])(?::([^~]{1,16})~([^~]{1,16}))?", re.ASCII)
_OTHERS = "ogpry"
"""Inks of the stains that are no nuclei, in the order of the channels."""
_IN_COMPANY = "b"
"""Ink of the nuclei once another stain lies over them: white would wash it out."""


@dataclass(frozen=True)
class Choice:
    """What is chosen for one stain.

    Attributes
    ----------
    channel
        Number of the channel.
    shown
        Whether it is drawn.
    ink
        Letter of its ink.
    window
        Values drawn as background and as brightest; None for what suits the image.
    """

    channel: int
    shown: bool
    ink: str
    window: tuple[float, float] | None = None

    def text(self, stem: str) -> str:
        """Write it as an entry; `stem` is the channel's name as in column names."""
        window = "" if self.window is None else ":{:.6g}~{:.6g}".format(*self.window)
        return f"{'' if self.shown else '.'}{stem},{self.ink}{window}"


def default_choices(channels: tuple[str, ...]) -> tuple[Choice, ...]:
    """Return what is chosen before anybody chose: the nuclei in grey, all others hidden."""
    nuclei = channels.index(NUCLEI) if NUCLEI in channels else 0
    others = [number for number in range(len(channels)) if number != nuclei]
    inks = {number: _OTHERS[i % len(_OTHERS)] for i, number in enumerate(others)}
    return tuple(
        Choice(number, number == nuclei, inks.get(number, GREY)) for number in range(len(channels))
    )


def read_choices(text: str, channels: tuple[str, ...]) -> tuple[Choice, ...]:
    """Read a text; entries that cannot be are left alone.

    Parameters
    ----------
    text
        As `write_choices` wrote it.
    channels
        Names of the channels.
    """
    chosen = list(default_choices(channels))
    number_of = {stem: number for number, stem in enumerate(stems(channels))}
    for entry in text.split(";"):
        found = _ENTRY.fullmatch(entry)
        if not found or found[2] not in number_of or found[3] not in INKS:
            continue
        number = number_of[found[2]]
        window = _window(found[4], found[5]) if found[4] else None
        chosen[number] = Choice(number, not found[1], found[3], window)
    return tuple(chosen)


def _window(low: str, high: str) -> tuple[float, float] | None:
    try:
        window = float(low), float(high)
    except ValueError:
        return None
    return window if all(map(isfinite, window)) and window[0] < window[1] else None


def write_choices(chosen: tuple[Choice, ...], channels: tuple[str, ...]) -> str:
    """Write what differs from the default; empty where nothing does."""
    usual, names = default_choices(channels), stems(channels)
    pairs = zip(chosen, usual, strict=True)
    return ";".join(mine.text(names[mine.channel]) for mine, other in pairs if mine != other)


def changed(chosen: tuple[Choice, ...], channel: int, **fields: object) -> tuple[Choice, ...]:
    """Return the choices with one stain's changed."""
    return tuple(
        replace(one, **fields) if one.channel == channel else one  # type: ignore[arg-type]
        for one in chosen
    )


def shown_too(chosen: tuple[Choice, ...], channel: int, shown: bool) -> tuple[Choice, ...]:
    """Show or hide a stain; nuclei in grey get a colour where another stain joins them."""
    found = changed(chosen, channel, shown=shown)
    if sum(one.shown for one in found) < 2 or not shown:
        return found
    return tuple(
        replace(one, ink=_IN_COMPANY) if one.shown and one.ink == GREY else one for one in found
    )


def stain_of(choice: Choice, auto: tuple[float, float]) -> Stain:
    """Return a stain as it is drawn.

    Parameters
    ----------
    choice
        What was chosen.
    auto
        The window that suits the image.
    """
    return Stain(choice.channel, choice.ink, *(choice.window or auto))
