"""Style sheets of the tray; colours and sizes are the page's own custom properties."""

from __future__ import annotations

from typing import Any

from bokeh.models import Div

FIELD_CSS = """
:host { font-family: var(--font) !important; }
.bk-input-group { display: flex; flex-direction: row; align-items: center; gap: 5px; }
.bk-input-group > label { margin: 0; padding: 0; font-size: var(--small); color: var(--quiet);
  white-space: nowrap; }
.bk-input-container { flex: 1 1 auto; min-width: 0; }
.bk-input { height: 26px; min-height: 26px; padding: 0 6px; font: inherit;
  font-size: var(--small); font-variant-numeric: tabular-nums; color: var(--text);
  background-color: var(--raised); border: 1px solid var(--line); border-radius: 4px;
  text-overflow: ellipsis; }
.bk-input:focus-visible { outline: 2px solid var(--accent); outline-offset: -1px; }
.bk-input::placeholder { color: var(--quiet); opacity: 1; }
select.bk-input option, select.bk-input optgroup { background-color: var(--raised);
  color: var(--text); }
"""
"""Select and input fields: the label stands before the field, both in small type."""

NAME_CSS = (
    FIELD_CSS
    + """
.bk-input { background-color: transparent; border-color: transparent; padding: 0 3px;
  border-bottom: 1px dotted var(--quiet); border-radius: 0; height: 19px; min-height: 19px; }
.bk-input:hover, .bk-input:focus { background-color: var(--raised); }
"""
)
"""The name of a region: it looks like a label and is a field."""

BUTTON_CSS = """
:host { font-family: var(--font) !important; }
.bk-btn.bk-btn-default, :host(.solid) .bk-btn.bk-btn-default { height: 26px; padding: 0 9px;
  font: inherit; font-size: var(--small); line-height: 1; color: var(--text);
  background: var(--raised); border: 1px solid var(--line); border-radius: 4px;
  box-shadow: none; }
:host(.solid) .bk-btn.bk-btn-default:hover:not([disabled]),
:host(.solid) .bk-btn.bk-btn-default.bk-active { border-color: var(--quiet);
  background: var(--surface); }
.bk-btn:focus-visible { outline: 2px solid var(--accent); outline-offset: -1px; }
.bk-btn[disabled] { opacity: 0.45; }
"""
"""Buttons."""

BARE_CSS = (
    BUTTON_CSS
    + """
:host(.solid) .bk-btn.bk-btn-default { background: transparent; border-color: transparent;
  padding: 0 4px; color: var(--quiet); font-size: var(--body); }
:host(.solid) .bk-btn.bk-btn-default:hover:not([disabled]) { color: var(--text);
  border-color: transparent; background: transparent; }
"""
)
"""Buttons without a frame."""

FOLD_CSS = (
    BARE_CSS
    + """
:host(.solid) .bk-btn.bk-btn-default { color: var(--text); font-weight: 600; padding: 0 2px;
  text-align: left; }
"""
)
"""The tray's title, which folds it."""

WORDS_CSS = """
:host { font-family: var(--font) !important; font-size: var(--small); line-height: 1.35;
  color: var(--text); font-variant-numeric: tabular-nums; }
p, ul, dl { margin: 0; }
p { margin-top: 3px; }
small { font-size: inherit; color: var(--quiet); }
.mark { vertical-align: -2px; margin-right: 3px; }
.letter { font-weight: 600; font-size: var(--body); }
.number { font-size: var(--body); font-weight: 650; white-space: nowrap; }
.unit { margin-left: 4px; }
.span { margin-left: 7px; color: var(--quiet); white-space: nowrap; }
.none, .hint { color: var(--quiet); }
.hint { font-size: var(--body); line-height: 1.4; margin: 2px 0 8px; }
.over { color: var(--quiet); white-space: nowrap; overflow: hidden; text-overflow: ellipsis; }
.heads { color: var(--quiet); display: flex; padding-top: 24px; }
.heads span:first-child { width: 86px; }
.counts { color: var(--quiet); white-space: nowrap; line-height: 15px; }
.counts div { overflow: hidden; text-overflow: ellipsis; }
.pair { padding: 4px 0; }
.pair + .pair { border-top: 1px solid var(--line); }
.pair-title { margin-right: 8px; white-space: nowrap; }
.pair-title i { font-style: normal; margin: 0 4px; }
.pair .span { margin-left: 0; }
.tested { color: var(--quiet); margin-top: 6px; }
.tested b { font-weight: 600; }
.care { margin-top: 4px; border-left: 2px solid var(--caution); padding-left: 7px; }
.care b { color: var(--caution); font-weight: 600; }
.care ul { list-style: none; padding: 0; }
.care li + li { margin-top: 2px; }
.shares { border-collapse: collapse; width: 100%; }
.shares th { text-align: left; font-weight: 400; padding: 1px 4px 1px 0; white-space: nowrap; }
.shares td, .shares thead th + th { text-align: right; padding: 1px 0 1px 4px; }
.shares thead .mark { display: block; margin: 0 0 0 auto; }
.shares thead th { vertical-align: bottom; }
.shares thead th:first-child { color: var(--quiet); }
.shares tfoot { color: var(--quiet); border-top: 1px solid var(--line); }
.points td { white-space: nowrap; padding-left: 10px; }
.points .span { margin-left: 3px; }
.points.many .span { display: block; margin: 0; }
.points.many td, .points.many th { vertical-align: top; }
.points.many td { white-space: normal; padding-left: 6px; }
.points.many td b { white-space: nowrap; }
.shares svg { vertical-align: -4px; margin-right: 4px; }
"""
"""Words and numbers of the tray."""

SCROLL = {
    "overflow-y": "auto",
    "scrollbar-width": "thin",
    "scrollbar-color": "var(--line) transparent",
}
"""What scrolls inside the tray."""


def words(**how: Any) -> Div:
    """Make a place for words: HTML that is set by its ``text``.

    It is Bokeh's own element. A pane for HTML hands its style sheets over anew with every text, and
    the browser then fetches and lays out the whole page once more: a tenth of a second each.

    Parameters
    ----------
    **how
        Size, margin and styles of the element.
    """
    given: dict[str, Any] = {"margin": 0, "stylesheets": [WORDS_CSS], "disable_math": True, **how}
    return Div(**given)
