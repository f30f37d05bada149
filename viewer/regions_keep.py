"""The line of the tray that keeps regions in the store and brings them back."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

import panel as pn
import param

from engine.errors import SplendensError
from viewer.library import Library
from viewer.regions_saved import forget_regions, load_regions, save_regions, saved_names
from viewer.regions_style import BUTTON_CSS, FIELD_CSS, words
from viewer.state import ViewState


class KeepLine(pn.viewable.Viewer):
    """Save, load and forget regions; unfolded by its switch.

    Parameters
    ----------
    state
        Whose regions are kept.
    library
        The open discs.
    names
        Gives letter to name.
    take
        Called with regions and names that were loaded.
    """

    folded = param.Boolean(False, doc="Whether the tray is folded, and this line with it.")

    def __init__(
        self,
        state: ViewState,
        library: Library,
        names: Callable[[], dict[str, str]],
        take: Callable[[dict[str, Any], dict[str, str]], None],
        **params: Any,
    ) -> None:
        super().__init__(**params)
        self._state, self._library, self._names, self._take = state, library, names, take
        self.switch = pn.widgets.Toggle(
            label="Keep…", stylesheets=[BUTTON_CSS], margin=(0, 0, 0, 10),
        )  # fmt: skip
        self.title = pn.widgets.TextInput(
            label="save as", placeholder="letters, digits, - _ .", max_length=64, width=210,
            stylesheets=[FIELD_CSS], margin=0,
        )  # fmt: skip
        self.saved = pn.widgets.Select(
            label="saved", width=190, stylesheets=[FIELD_CSS], margin=(0, 0, 0, 18)
        )
        self.who = pn.widgets.TextInput(
            label="your name", placeholder="kept with it", value=state.who, max_length=64,
            width=190, stylesheets=[FIELD_CSS], margin=(0, 0, 0, 12),
        )  # fmt: skip
        self.save = self._button("Save", self._on_save)
        self.load = self._button("Load", self._on_load)
        self.forget = self._button("Forget", self._on_forget)
        self._said = words(margin=(0, 0, 0, 12), sizing_mode="stretch_width")
        self._view = pn.Row(
            self.title, self.save, self.saved, self.load, self.forget, self.who, self._said,
            height=32, margin=0, visible=False, sizing_mode="stretch_width",
            styles={"align-items": "center", "padding": "0 8px"},
        )  # fmt: skip
        self.switch.param.watch(self._on_switch, "value")
        self.param.watch(self._on_switch, "folded")
        state.param.watch(lambda _: self._list(), "disc")

    @staticmethod
    def _button(name: str, action: Callable[[], None]) -> Any:
        return pn.widgets.Button(
            label=name, stylesheets=[BUTTON_CSS], margin=(0, 0, 0, 4), on_click=lambda _: action()
        )

    def _on_switch(self, *_: Any) -> None:
        self._view.visible = self.switch.value and not self.folded
        if self._view.visible:
            self._list()
            self.who.value = self._state.who
            self._say("")

    def _list(self, chosen: str | None = None) -> None:
        if not self._view.visible:
            return
        names = saved_names(self._library, self._state.disc)
        kept = chosen if chosen in names else None
        self.saved.param.update(options=names, value=kept or (names[0] if names else None))
        self.load.disabled = self.forget.disabled = not names

    def _try(self, action: Callable[[], str]) -> None:
        try:
            self._say(f'<span role="status">{escape(action())}</span>')
        except SplendensError as error:
            self._say(f'<span role="alert"><b>not done:</b> {escape(str(error))}</span>')

    def _say(self, html: str) -> None:
        with pn.io.hold():  # a press of a button comes without the lock that Bokeh asks for
            self._said.text = html

    def _name(self) -> str:
        """Give the person's name, which the whole page then knows."""
        name = " ".join((self.who.value_input or self.who.value).split())
        self._state.who = name
        return name

    def _on_save(self) -> None:
        def act() -> str:
            name = self.title.value_input.strip() or self.title.value.strip()
            if not name:
                raise SplendensError("give it a name first")
            save_regions(
                self._library,
                self._state.disc,
                name,
                self._state.regions,
                self._names(),
                self._name(),
            )
            self._list(name)
            return f"saved as {name}"

        self._try(act)

    def _on_load(self) -> None:
        def act() -> str:
            name = str(self.saved.value or "")
            regions, names = load_regions(self._library, self._state.disc, name)
            self._take(regions, names)
            return f"{name}: {', '.join(regions)}"

        self._try(act)

    def _on_forget(self) -> None:
        def act() -> str:
            name = str(self.saved.value or "")
            forget_regions(self._library, self._state.disc, name, self._name())
            self._list()
            return f"forgotten: {name}"

        self._try(act)

    def __panel__(self) -> pn.Row:
        """Give the line."""
        return self._view
