"""Rows of the comparison tray, one a region: its mark, its name, its median and counts."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import panel as pn

from viewer.regions_data import Holding, TrayNumbers
from viewer.regions_saved import LONGEST_NAME
from viewer.regions_strip import ROW_PX
from viewer.regions_style import BARE_CSS, NAME_CSS, words
from viewer.regions_words import counts_html, density_html, mark_html, median_html
from viewer.state import REGION_LETTERS

LINE_PX = 24


class RegionRow:
    """One region's row; made once a letter, and hidden where there is no such region."""

    def __init__(
        self, letter: str, rename: Callable[[str, str], None], remove: Callable[[str], None]
    ) -> None:
        self.letter = letter
        self._mark = words(width=30)
        self._median = words(sizing_mode="stretch_width")
        self._counts = words(sizing_mode="stretch_width")
        self.name = pn.widgets.TextInput(
            placeholder="name", max_length=LONGEST_NAME, width=54, margin=(0, 4, 0, 0),
            stylesheets=[NAME_CSS],
        )  # fmt: skip
        self.remove = pn.widgets.Button(
            label="×", description=f"Remove region {letter}", width=20, margin=0,
            stylesheets=[BARE_CSS], on_click=lambda _: remove(letter),
        )  # fmt: skip
        self.name.param.watch(lambda event: rename(letter, event.new.strip()), "value")
        self.view = pn.Column(
            pn.Row(
                self._mark, self.name, self._median, self.remove, height=LINE_PX, margin=0,
                sizing_mode="stretch_width", styles={"align-items": "center"},
            ),
            self._counts,
            height=ROW_PX,
            margin=0,
            visible=False,
            sizing_mode="stretch_width",
            css_classes=["tray-region"],
        )  # fmt: skip

    def hide(self) -> None:
        """Show nothing."""
        self.view.visible = False

    def show(
        self, held: Holding, numbers: TrayNumbers, index: int, colour: str, several_discs: bool
    ) -> None:
        """Show what a region holds."""
        with_value = None
        if numbers.comparison is None:
            self._median.text = density_html(held)
        else:
            region = numbers.comparison.regions[index]
            with_value = region.sites
            self._median.text = median_html(region.median, numbers.comparison.unit)
        self._mark.text = mark_html(self.letter, colour)
        self._counts.text = counts_html(held, with_value, several_discs)
        if self.name.value != held.name:
            self.name.value = held.name
        self.view.visible = True


class RegionRows(pn.viewable.Viewer):
    """All rows, one under another.

    Parameters
    ----------
    rename
        Called with a letter and a name that a person typed.
    remove
        Called with a letter whose region is to go.
    """

    def __init__(
        self, rename: Callable[[str, str], None], remove: Callable[[str], None], **params: Any
    ) -> None:
        super().__init__(**params)
        self.rows = {letter: RegionRow(letter, rename, remove) for letter in REGION_LETTERS}
        self._view = pn.Column(
            *(row.view for row in self.rows.values()), margin=0, sizing_mode="stretch_width"
        )

    def show(self, numbers: TrayNumbers, colours: dict[str, str], several_discs: bool) -> None:
        """Show the regions of some numbers, and no other.

        Parameters
        ----------
        numbers
            What to show.
        colours
            Letter to colour.
        several_discs
            Whether to say on which disc a region lies.
        """
        held = {h.letter: (i, h) for i, h in enumerate(numbers.holdings)}
        for letter, row in self.rows.items():
            if letter not in held:
                row.hide()
                continue
            index, holding = held[letter]
            row.show(holding, numbers, index, colours[letter], several_discs)

    def __panel__(self) -> pn.Column:
        """Give the rows."""
        return self._view
