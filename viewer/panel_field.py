"""The panel of the fields: which one lies over the mosaic."""

from __future__ import annotations

from typing import Any, ClassVar

from viewer.fields import NAMES, field_words, fields_of_disc
from viewer.plane_panels import Panel, Row


class FieldPanel(Panel):
    """None, pattern index, density, or direction of strings."""

    name: ClassVar[str] = "field"
    title: ClassVar[str] = "A smooth field of the cells over the disc"

    def rows(self) -> list[Row]:
        """Return the choice, and how the chosen one was made; none where there are no cells."""
        if fields_of_disc(self.gallery.library, self.state.disc) is None:
            return []
        chosen = self.state.field if self.state.field in NAMES else ""
        rows = [Row("select", "show", "show", chosen, items=[("", "none"), *NAMES.items()])]
        if chosen:
            words = field_words(self.gallery.library, self.state.disc, chosen)
            rows.append(Row("text", "how", value=words))
        return rows

    def act(self, key: str, value: Any) -> None:
        """Choose a field; what is none is left alone."""
        if key == "show" and (value == "" or value in NAMES):
            self.state.field = str(value)
