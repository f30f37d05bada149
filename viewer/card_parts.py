"""The site card's plain parts: a piece of text, a button that stays pressed, a row of figures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import panel as pn

from viewer.card_figures import Look
from viewer.theme import BODY_PX, FONT, LARGE_PX, SMALL_PX


def card_css(look: Look) -> str:
    """Style of the card's text and buttons; three sizes of type, tabular figures."""
    return f"""
:host {{ font-family: {FONT} !important; font-size: {BODY_PX}px !important;
  line-height: 1.4; color: {look.text};
  font-variant-numeric: tabular-nums; --line: {look.line}; --quiet: {look.quiet};
  --chosen: {look.chosen}; --faint: {look.faint}; }}
:host * {{ font-family: inherit; }}
p, ul, dl, h2, h3 {{ margin: 0; padding: 0; }}
h2 {{ font-size: {BODY_PX}px; font-weight: 600; }}
h2 {{ display: flex; align-items: baseline; gap: 8px; }}
h2 .plain {{ font-weight: 400; flex: 1; }}
h2 .run {{ font-weight: 400; font-size: {SMALL_PX}px; color: var(--quiet); white-space: nowrap; }}
.headline {{ display: flex; align-items: baseline; flex-wrap: wrap; gap: 0 14px; }}
h3 {{ font-size: {BODY_PX}px; font-weight: 600; margin-top: 4px; }}
a {{ color: {look.text}; text-underline-offset: 2px; }}
.quiet, .labels {{ color: var(--quiet); font-size: {SMALL_PX}px; }}
.number {{ font-size: {LARGE_PX}px; font-weight: 600; line-height: 1.15; }}
.number small {{ font-size: {BODY_PX}px; font-weight: 400; }}
.interval {{ white-space: nowrap; }}
.facts {{ display: grid; grid-template-columns: max-content 1fr; gap: 2px 12px; }}
.facts dt {{ color: var(--quiet); }}
.facts dd {{ margin: 0; }}
.flags {{ list-style: none; }}
.flags li {{ border-left: 2px solid var(--quiet); padding: 1px 0 1px 8px; margin: 4px 0; }}
.flags b {{ font-weight: 600; }}
.flags b::after {{ content: "."; }}
.mark {{ border: 1px solid var(--quiet); border-radius: 3px; padding: 0 4px;
  font-size: {SMALL_PX}px; }}
.caution {{ border-left: 2px solid {look.caution}; padding-left: 8px; margin-top: 4px; }}
details {{ border-top: 1px solid var(--line); padding: 4px 0; }}
summary {{ cursor: pointer; font-weight: 600; }}
summary:focus-visible {{ outline: 2px solid var(--chosen); outline-offset: 1px; }}
details > :not(summary) {{ margin-top: 4px; }}
.refusal {{ background: var(--faint); border-radius: 4px; padding: 8px 10px; }}
.legend {{ color: var(--quiet); font-size: {SMALL_PX}px; line-height: 1.3; }}
.legend .strip {{ height: 8px; border-radius: 2px; }}
.legend .ticks {{ position: relative; display: flex; justify-content: space-between; }}
.legend .ticks i {{ font-style: normal; }}
.legend .ticks span {{ position: absolute; transform: translateX(-50%); }}
.glyph {{ vertical-align: -4px; }}
.patterns {{ display: grid; grid-template-columns: 22px max-content 48px 1fr; gap: 3px 8px;
  align-items: center; }}
.patterns .share {{ text-align: right; }}
.patterns .fill {{ height: 8px; border-radius: 2px; }}
.now {{ font-weight: 600; }}
.why {{ border-bottom: 1px dotted var(--quiet); cursor: help; }}
.why:focus-visible {{ outline: 2px solid var(--chosen); outline-offset: 1px; }}
dt[title], dd[title], .budget span[title] {{ cursor: help; }}
.budget {{ display: grid; grid-template-columns: max-content 1fr max-content; gap: 2px 10px;
  align-items: center; }}
.budget .bar {{ display: block; height: 8px; }}
.budget .bar i {{ display: block; height: 8px; min-width: 2px; border-radius: 1px;
  background: {look.data}; }}
.budget .bar.shared i {{ background: repeating-linear-gradient(-45deg, {look.data} 0 2px,
  transparent 2px 5px); outline: 1px solid {look.data}; outline-offset: -1px; }}
.budget .bar.law i {{ background: transparent; outline: 1px solid {look.data};
  outline-offset: -1px; }}
.budget span:nth-child(3n) {{ text-align: right; }}
.trial {{ border-collapse: collapse; margin: 2px 0; }}
.trial th {{ text-align: left; font-weight: 400; color: var(--quiet); padding: 1px 14px 1px 0; }}
.trial td {{ padding: 1px 14px 1px 0; }}
.trial tr:first-child td {{ color: var(--quiet); font-size: {SMALL_PX}px; }}
"""


def button_css(look: Look) -> str:
    """Style of the card's buttons."""
    return f"""
:host {{ margin: 0; }}
.bk-btn {{ font-family: {FONT}; font-size: {BODY_PX}px; line-height: 1.2; padding: 3px 10px;
  background: transparent !important; color: {look.quiet} !important; min-height: 26px;
  border: 1px solid {look.line} !important; border-radius: 4px; box-shadow: none !important; }}
.bk-btn:hover {{ color: {look.text} !important; background: {look.faint} !important; }}
.bk-btn:focus-visible {{ outline: 2px solid {look.chosen}; outline-offset: 1px; }}
.bk-btn[disabled] {{ opacity: 0.4; cursor: default; }}
:host(.on) .bk-btn {{ color: {look.text} !important; border-color: {look.text} !important;
  font-weight: 600; }}
"""


def slider_css(look: Look) -> str:
    """Style of the slider that walks through the curves of a map."""
    return f"""
:host {{ font-family: {FONT} !important; font-size: {SMALL_PX}px; color: {look.quiet}; margin: 0; }}
:host * {{ font-family: inherit; font-variant-numeric: tabular-nums; }}
.noUi-target {{ background: {look.faint}; border-color: {look.line}; }}
.noUi-connect {{ background: {look.line}; }}
.noUi-handle {{ background: {look.chosen}; border-color: {look.chosen}; box-shadow: none; }}
.noUi-handle:focus-visible {{ outline: 2px solid {look.text}; }}
"""


def select_css(look: Look) -> str:
    """Style of a list to choose from."""
    return f"""
:host {{ font-family: {FONT} !important; font-size: {SMALL_PX}px; color: {look.quiet}; }}
.bk-input {{ font-family: {FONT}; font-size: {BODY_PX}px; color: {look.text};
  background-color: {look.ground}; border: 1px solid {look.line}; border-radius: 4px;
  min-height: 28px; padding: 2px 8px; }}
.bk-input option {{ color: {look.text}; background-color: {look.ground}; }}
.bk-input:focus-visible {{ outline: 2px solid {look.chosen}; outline-offset: 1px; }}
"""


def text_pane(look: Look, **options: Any) -> Any:
    """Make an empty piece of text, as wide as the card."""
    return pn.pane.HTML(
        "", sizing_mode="stretch_width", margin=(2, 0), stylesheets=[card_css(look)], **options
    )


def push_button(look: Look, name: str, on_click: Callable[[], None], **options: Any) -> Any:
    """Make a button."""
    button = pn.widgets.Button(
        label=name, margin=(0, 4, 0, 0), stylesheets=[button_css(look)], **options
    )
    button.on_click(lambda _event: on_click())
    return button


def press(button: Any, pressed: bool) -> None:
    """Show a button as pressed, or not."""
    button.css_classes = ["on"] if pressed else []


class Switch:
    """A button that stays pressed until it is clicked again.

    Parameters
    ----------
    look
        Colours.
    name
        What stands on it.
    on
        Whether it starts pressed.
    on_change
        Told whether it is pressed, after each click.
    """

    def __init__(self, look: Look, name: str, on: bool, on_change: Callable[[bool], None]) -> None:
        self.on = on
        self._on_change = on_change
        self.button = push_button(look, name, self._clicked)
        press(self.button, on)

    def set(self, on: bool) -> None:
        """Press the button, or not, without telling anybody."""
        self.on = on
        press(self.button, on)

    def _clicked(self) -> None:
        self.on = not self.on
        press(self.button, self.on)
        self._on_change(self.on)


class Choice:
    """Buttons of which one is pressed.

    Parameters
    ----------
    look
        Colours.
    names
        What stands on each button, and the value it stands for.
    value
        The value that is pressed first.
    on_change
        Told the new value, after a click that changed it.
    """

    def __init__(
        self, look: Look, names: Mapping[str, Any], value: Any, on_change: Callable[[Any], None]
    ) -> None:
        self.value = value
        self._on_change = on_change
        self._buttons = {
            choice: push_button(look, name, self._chooser(choice)) for name, choice in names.items()
        }
        self.buttons = tuple(self._buttons.values())
        self._press()

    def _chooser(self, choice: Any) -> Callable[[], None]:
        def choose() -> None:
            if choice != self.value:
                self.value = choice
                self._press()
                self._on_change(choice)

        return choose

    def set(self, value: Any) -> None:
        """Press another button without telling anybody."""
        self.value = value
        self._press()

    def _press(self) -> None:
        for choice, button in self._buttons.items():
            press(button, choice == self.value)


def figure_pane(fig: Any) -> Any:
    """Put a figure into the card."""
    return pn.pane.Bokeh(fig, margin=0, sizing_mode=fig.sizing_mode)


def row(*parts: Any) -> Any:
    """Lay parts side by side, as wide as the card."""
    return pn.Row(*parts, margin=(2, 0), sizing_mode="stretch_width")


def column(*parts: Any) -> Any:
    """Lay parts below each other, as wide as the card."""
    return pn.Column(*parts, margin=0, sizing_mode="stretch_width")
