"""Panel of the plane: what the nanometre sites show, and at which load."""

from __future__ import annotations

from math import isfinite
from typing import Any, ClassVar

from engine.zero_force import RECORDED_AT
from viewer.plane_panels import Panel, Row
from viewer.site_maps import (
    CHOICES,
    HEIGHT,
    SHADED,
    largest_load,
    load_of,
    load_text,
    mapped_sites,
    offered,
)

STEPS = 100
"""Steps of the load from zero to the trigger."""


class SiteMapsPanel(Panel):
    """Height image, modulus, adhesion, or the surface at a load."""

    name: ClassVar[str] = "nano sites"
    title: ClassVar[str] = (
        "What the nanometre sites show: their height image, or their curves as maps"
    )

    def rows(self) -> list[Row]:
        """Return a choice, and a load where the choice has one."""
        library, disc = self.gallery.library, self.state.disc
        sites, choices = mapped_sites(library, disc), offered(library, disc)
        if not sites:
            return []
        chosen = self.state.site_map if self.state.site_map in choices else ""
        rows = [
            Row("select", "show", "show", chosen, items=list(choices.items())),
            *self._load_rows(chosen),
        ]
        if chosen:
            count = sum(s.has_height for s in library.store(disc).sites.values())
            rows.append(Row("text", "count", value=_where(len(sites), count)))
        return rows

    def _load_rows(self, chosen: str) -> list[Row]:
        most = largest_load(self.gallery.library, self.state.disc)
        if chosen not in (HEIGHT, SHADED) or not isfinite(most):
            return []
        load = min(load_of(self.state.load), most)
        return [
            Row(
                "range",
                "load",
                "load, nN",
                load,
                title="From zero force to the trigger: under load the surface lies lower",
                low=0.0,
                high=most,
                step=most / STEPS,
            ),
            Row("text", "recorded", value=RECORDED_AT),
        ]

    def act(self, key: str, value: Any) -> None:
        """Choose what is shown, or the load."""
        if key == "show" and value in CHOICES:
            self.state.site_map = value
        elif key == "load" and isinstance(value, int | float) and isfinite(value) and value >= 0:
            self.state.load = load_text(float(value))


def _where(sites: int, images: int) -> str:
    places = "1 site has" if sites == 1 else f"{sites} sites have"
    rest = images - sites
    if rest <= 0:
        return f"{places} curves."
    others = "the other keeps its image" if rest == 1 else f"the other {rest} keep their images"
    return f"{places} curves; {others}."
