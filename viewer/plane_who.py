"""Who is at the page: asked once, before anything is changed by hand."""

from __future__ import annotations

from typing import Any

from engine.errors import SplendensError
from engine.store.corrections import checked_name
from viewer.plane_panels import Row
from viewer.state import ViewState

KEY = "who"


def who_rows(state: ViewState) -> list[Row]:
    """Return the rows that ask for a name, or that say whose it is."""
    if state.who:
        return [
            Row("text", "whose", value=f"kept under the name {state.who}", line="who"),
            Row("button", "whose not", "another name", line="who"),
        ]
    ask = "What is changed by hand is kept with who did it and when."
    return [
        Row("entry", KEY, "your name", line="who", title=f"{ask} Asked once."),
        Row("text", "ask", value="kept with what you change", line="who"),
    ]


def hear_who(state: ViewState, key: str, value: Any) -> bool:
    """Take a name from a row; tells whether the row was one of these."""
    if key == "whose not":
        state.who = ""
    elif key == KEY:
        try:
            state.who = checked_name(value)
        except SplendensError:
            state.who = ""
    return key in (KEY, "whose not")
