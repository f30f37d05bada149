"""Flags as the site card shows them: by name, with the sentence and the limit of the run."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from engine.flags import Flag
from engine.mechanics import MechanicsSettings, limit_words
from viewer.card_text import flag_rows


def explained(name: str, sentence: str, settings: MechanicsSettings | None) -> str:
    """Join a flag's sentence and the limit at which it is raised."""
    limit = limit_words(name, settings)
    return f"{sentence} ({limit[:1].upper()}{limit[1:]}.)" if limit else sentence


def limited_rows(
    names: Sequence[str], settings: MechanicsSettings | None, *sources: Sequence[Flag]
) -> list[tuple[str, str, bool]]:
    """Give `flag_rows` with each limit behind its sentence.

    Parameters
    ----------
    names
        Names as the tables hold them.
    settings
        Those of the run.
    sources
        The parts' lists of flags.
    """
    rows = flag_rows(names, *sources)
    return [
        (words, explained(name, sentence, settings), excludes)
        for name, (words, sentence, excludes) in zip(names, rows, strict=True)
    ]


def named_html(
    names: Sequence[str], settings: MechanicsSettings | None, *sources: Sequence[Flag]
) -> str:
    """Name flags in a line; each explains itself in its tooltip."""
    rows = limited_rows(names, settings, *sources)
    return ", ".join(
        f'<span class="why" tabindex="0" title="{escape(sentence)}">{escape(words)}</span>'
        for words, sentence, _ in rows
    )
