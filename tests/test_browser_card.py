"""The site card in a real browser: seen, clicked, walked through by keys, and quick."""

import re

import browser_kit as kit
import card_kit
import numpy as np
import pytest

from engine.store import open_store
from viewer.card_cells_facts import cells_facts
from viewer.card_facts import site_facts
from viewer.library import Library

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(bool(kit.why_no_browser()), reason=kit.why_no_browser()),
]

HELP = """
window.cardText = () => {
  const parts = [];
  const walk = (node) => {
    if (node.nodeType === 3) { parts.push(node.data); return; }
    if (node.nodeType !== 1 && node.nodeType !== 11) return;
    if (["STYLE", "SCRIPT"].includes(node.tagName)) return;
    if (node.nodeType === 1 && getComputedStyle(node).display === "none") return;
    if (node.shadowRoot) walk(node.shadowRoot);
    node.childNodes.forEach(walk);
  };
  walk(document.getElementById("card"));
  return parts.join(" ");
};
window.cardAfterKey = ([key, text]) => new Promise((done) => {
  const begun = performance.now();
  document.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, composed: true }));
  const look = () => {
    if (cardText().includes(text)) requestAnimationFrame(() => done(performance.now() - begun));
    else if (performance.now() - begun > 5000) done(-1);
    else setTimeout(look, 2);
  };
  look();
});
"""


CONTACT_X = """() => {
  for (const document of Bokeh.documents) {
    for (const model of document.all_models ?? document._all_models.values()) {
      if (model.type !== "Span" || !model.editable) continue;
      const view = Bokeh.index.find_one(model);
      return view.plot_view.frame.x_scale.compute(0);
    }
  }
}"""
"""Where the contact stands in its figure, screen pixels from the left."""


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return card_kit.make_store(tmp_path_factory.mktemp("card"))


@pytest.fixture(scope="module")
def address(store):
    with kit.viewer([store], store.parent / "log.txt") as url:
        yield url


@pytest.fixture(scope="module")
def window():
    with kit.browser() as opened:
        yield opened


@pytest.fixture
def page(window, request):
    width, height = getattr(request, "param", (1440, 900))
    opened, seen = kit.new_page(window, width, height)
    opened.add_init_script(HELP)
    yield opened
    opened.close()
    seen.check()


def open_card(page, address, expected, **query):
    words = "&".join(f"{k}={v}" for k, v in {"v": 1, "d": "tiny-1", **query}.items())
    page.goto(f"{address}?{words}")
    page.wait_for_function("(text) => window.cardText && cardText().includes(text)", arg=expected)


def test_a_link_opens_site_curve_and_reasons(page, address):
    open_card(page, address, "Curve at row 1, column 2", site="b001", k=card_kit.UNTOUCHED)
    text = page.evaluate("cardText()")
    for part in ("stiffness map", "95 % interval", "left out", "never touched", "not independent"):
        assert part in text


def test_a_click_on_the_map_picks_the_curve_under_it(page, address):
    open_card(page, address, "Curve at row 0, column 0", site="b001", k=0)
    canvas = page.locator("#card .bk-Figure").first
    box = canvas.bounding_box()
    page.mouse.click(box["x"] + 0.625 * box["width"], box["y"] + 0.625 * box["height"])
    page.wait_for_function("!cardText().includes('Curve at row 0, column 0')")
    place = re.search(r"Curve at row (\d), column (\d)", page.evaluate("cardText()"))
    assert {int(n) for n in place.groups()} <= {1, 2}  # one of the four in the middle
    page.wait_for_function("!location.search.includes('k=0&')")  # the link holds the choice


def test_the_network_face_shows_a_relief_with_coloured_traces(page, address):
    open_card(page, address, "Why these numbers", site="n001", tab="network")
    page.wait_for_timeout(500)
    seen = picture(page.locator("#card .bk-Figure:visible").first).astype(int)
    spread = seen.max(axis=2) - seen.min(axis=2)
    assert (spread < 12).mean() > 0.5  # light and shade are grey
    assert (spread > 60).sum() > 200  # the traces are not
    assert np.std(seen[spread < 12]) > 20


def test_a_click_on_a_cell_tells_the_rule_of_its_group(page, address, store):
    library = Library([open_store(store)])
    found = cells_facts(library, site_facts(library, "tiny-1", "b001"))
    cell = int(np.argmin(np.hypot(found.x_um, found.y_um)))
    rule = found.groups[int(found.group[cell])]["rule"]
    open_card(page, address, "Why this pattern", site="b001", tab="cells")
    page.wait_for_timeout(400)
    box = page.locator("#card .bk-Figure:visible").first.bounding_box()
    x = box["x"] + (0.5 + found.x_um[cell] / found.side_um) * box["width"]
    y = box["y"] + (0.5 - found.y_um[cell] / found.side_um) * box["height"]
    page.mouse.click(x, y)
    page.wait_for_function("(rule) => cardText().includes(rule)", arg=rule)


def test_keys_and_buttons_walk_through_the_curves(page, address):
    open_card(page, address, "Curve at row 0, column 2", site="b001", k=card_kit.UNTAKEN - 1)
    assert page.evaluate("cardAfterKey(['.', 'Curve at row 1, column 0'])") > 0
    assert page.evaluate("cardAfterKey([',', 'Curve at row 0, column 2'])") > 0
    page.get_by_role("button", name="▶").click()
    page.wait_for_function("cardText().includes('Curve at row 1, column 0')")
    plot = page.locator("#card .card-curve")
    before = plot.screenshot()
    page.get_by_role("button", name="force against indentation").click()
    page.wait_for_timeout(400)
    assert plot.screenshot() != before


def test_the_contact_is_dragged_with_the_mouse(page, address):
    open_card(page, address, "back to the fit", site="b002", k=0)
    page.wait_for_timeout(500)
    figure = page.locator("#card .card-curve")
    figure.scroll_into_view_if_needed()
    page.wait_for_timeout(300)
    box = figure.bounding_box()
    x = page.evaluate(CONTACT_X)
    page.mouse.move(box["x"] + x, box["y"] + 60)
    page.mouse.down()
    for step in range(1, 9):
        page.mouse.move(box["x"] + x + 2 * step, box["y"] + 60)
        page.wait_for_timeout(20)
    page.mouse.up()
    page.wait_for_function("cardText().includes('later than fitted')")
    assert "instead of" in page.evaluate("cardText()")
    page.get_by_role("button", name="back to the fit").click()
    page.wait_for_function("!cardText().includes('later than fitted')")


def test_a_trial_shows_before_and_after(page, address):
    open_card(page, address, "Curve at row 0, column 0", site="b002", k=0)
    page.get_by_role("button", name="try other settings").click()
    page.wait_for_function("cardText().includes('Change a setting')")
    handle = page.locator("#card .noUi-handle:visible").nth(1)
    handle.focus()
    for _ in range(5):
        page.keyboard.press("ArrowLeft")
    page.wait_for_function("cardText().includes('median over the curves used both times')")
    page.get_by_role("button", name="reset").click()
    page.wait_for_function("cardText().includes('Change a setting')")


def test_all_curves_are_drawn_and_a_dragged_box_is_sharpened(page, address):
    open_card(page, address, "Curve at row 0, column 0", site="b001", k=0)
    page.get_by_role("button", name="all curves").click()
    page.wait_for_function("cardText().includes('13 curves that count')")
    page.wait_for_timeout(600)
    plot = page.locator("#card .card-cloud")
    plot.scroll_into_view_if_needed()
    page.wait_for_timeout(200)
    before, box = picture(plot).astype(int), plot.bounding_box()
    grey = before.max(axis=2) - before.min(axis=2) < 12
    assert ((before.mean(axis=2) > 90) & grey).sum() > 1500  # a bundle, not one line
    page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 0.3 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.9 * box["width"], box["y"] + 0.6 * box["height"], steps=4)
    page.mouse.up()
    page.wait_for_timeout(700)
    assert np.abs(picture(plot).astype(int) - before).mean() > 1


@pytest.mark.parametrize("page", [(1280, 800), (1920, 1080)], indirect=True)
def test_nothing_sticks_out_of_the_card(page, address):
    for tab, site in (("curves", "b001"), ("network", "n001")):
        open_card(page, address, "Why th", site=site, tab=tab)
        page.wait_for_timeout(200)
        over = page.evaluate(
            "() => { const s = document.querySelector('#card .slot');"
            " return s.scrollWidth - s.clientWidth }"
        )
        assert over <= 0, f"{tab} is {over} px too wide"


def test_light_and_dark_have_grounds_of_their_own(page, address):
    shades = {}
    for theme in ("dark", "light"):
        open_card(page, address, "Curve at", site="b001", t=theme)
        page.wait_for_timeout(300)
        shades[theme] = picture(page.locator("#card .card-curve")).mean()
    assert shades["dark"] < 80
    assert shades["light"] > 180


def picture(locator):
    import io

    from PIL import Image

    return np.asarray(Image.open(io.BytesIO(locator.screenshot())).convert("RGB"))
