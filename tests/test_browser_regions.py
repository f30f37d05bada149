"""The comparison tray in a real browser: brushed, renamed, saved, downloaded, clicked, quick."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import browser_kit as kit
import numpy as np
import pytest
from viewer_kit import SITES, tiny_store

from engine.store import open_store
from viewer.address import decode, encode
from viewer.card_text import plain_number
from viewer.state import ViewState

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(bool(kit.why_no_browser()), reason=kit.why_no_browser() or "there is one"),
]

HELP = """
() => {
  window.trayText = () => {
    const parts = [];
    const walk = (node) => {
      if (node.nodeType === 3) { parts.push(node.data); return; }
      if (node.nodeType === 1) {
        if (["STYLE", "SCRIPT", "OPTION"].includes(node.tagName)) return;
        if (getComputedStyle(node).display === "none") return;
      }
      if (node.shadowRoot) walk(node.shadowRoot);
      node.childNodes.forEach(walk);
    };
    walk(document.getElementById("tray"));
    return parts.join(" ").replace(/\\s+/g, " ");
  };
  window.afterBrush = (text) => {
    window.brushed = new Promise((done) => {
      document.addEventListener("pointerup", () => {
        const begun = performance.now();
        const look = () => {
          const ms = performance.now() - begun;
          if (trayText().includes(text)) requestAnimationFrame(() => done(ms));
          else if (ms > 8000) done(-1);
          else setTimeout(look, 3);
        };
        look();
      }, { capture: true, once: true });
    });
  };
}
"""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiny_store(tmp_path_factory.mktemp("tray"))


@pytest.fixture(scope="module")
def url(store: Path) -> Iterator[str]:
    with kit.viewer([store], store.parent / "log") as address:
        yield address


@pytest.fixture(scope="module")
def window() -> Iterator[Any]:
    with kit.browser() as opened:
        yield opened


@pytest.fixture
def page(window: Any, request: pytest.FixtureRequest) -> Iterator[Any]:
    opened, seen = kit.new_page(window, *getattr(request, "param", (1440, 900)))
    yield opened
    seen.check()
    opened.close()


def square(x: float, y: float, half: float = 12.0) -> np.ndarray:
    return np.array(
        [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
    )


def link(*regions: Any, **changes: Any) -> str:
    state = ViewState(
        discs=["tiny-1"], disc="tiny-1", tray_open=True, um_per_px=0.4,
        centre_x_um=100.0, centre_y_um=100.0, **changes,
    )  # fmt: skip
    for corners in regions:
        state.add_region(corners)
    return encode(state)


def open_tray(page: Any, url: str, *regions: Any, **changes: Any) -> None:
    kit.open_view(page, url.rstrip("/") + "/" + link(*regions, **changes))
    page.evaluate(HELP)
    page.wait_for_function("() => trayText().includes('Compare')")


def wait_text(page: Any, text: str) -> None:
    page.wait_for_function("text => trayText().includes(text)", arg=text, timeout=10_000)


def brush(page: Any, x_um: float, y_um: float, side_px: float = 34.0) -> None:
    """Draw a box round a place of the disc with the mouse."""
    box = page.locator("#plane").bounding_box()
    x, y = page.evaluate(
        "([x, y]) => { const p = splendens.plane;"
        " return [(x - p.cx) / p.scale + p.width / 2, (y - p.cy) / p.scale + p.height / 2] }",
        [x_um, y_um],
    )
    x, y = x + box["x"], y + box["y"]
    page.mouse.move(x - side_px, y - side_px)
    page.mouse.down()
    page.mouse.move(x, y, steps=3)
    page.mouse.move(x + side_px, y + side_px, steps=3)
    page.mouse.up()


def modulus(store: Path, site: str) -> str:
    table = open_store(store).table("sites").set_index("site")
    return plain_number(float(table["modulus_kPa"][site]))


def test_a_brushed_region_shows_its_median_and_counts(page: Any, url: str, store: Path) -> None:
    open_tray(page, url)
    assert "becomes region A" in page.evaluate("trayText()")
    page.keyboard.press("b")
    brush(page, *SITES["b001"])
    wait_text(page, f"{modulus(store, 'b001')} kPa")
    text = page.evaluate("trayText()")
    assert "1 site (1 maps)" in text
    assert "16 curves used" in text
    assert "1 donor" in text
    assert "Draw a second region" in text


def test_two_regions_are_compared_and_too_few_is_said(page: Any, url: str) -> None:
    open_tray(page, url, square(*SITES["b001"]), square(*SITES["b002"]))
    wait_text(page, "Cliff's delta")
    text = page.evaluate("trayText()")
    assert "too few sites for an interval" in text
    assert "A holds 1 and B 1: too few to tell a difference" in text
    assert "Not tested" in text
    assert "Curves of one map are not independent" in text
    assert "Sites of one disc are neighbours" in text


def test_the_numbers_follow_the_mouse(page: Any, url: str) -> None:
    open_tray(page, url, square(*SITES["b001"]))
    page.keyboard.press("b")
    for site in ("b002", "b003"):
        page.evaluate("text => afterBrush(text)", "Cliff's delta")
        brush(page, *SITES[site])
        assert page.evaluate("brushed") > 0  # how fast: tests/benchmarks/bench_tray.py
        kit.at_rest(page)
        page.get_by_role("button", name="×").nth(1).click()
        wait_text(page, "Draw a second region")


def test_a_region_is_renamed_and_typing_does_not_steer_the_plane(page: Any, url: str) -> None:
    open_tray(page, url, square(*SITES["b001"]))
    wait_text(page, "1 site")
    before = page.evaluate("splendens.plane.view()")
    field = page.locator("#tray input[placeholder='name']").first
    field.click()
    page.keyboard.type("bell 0-+")
    page.keyboard.press("Enter")
    page.wait_for_timeout(400)
    assert page.evaluate("splendens.plane.view()") == before
    assert page.evaluate("document.getElementById('plane').dataset.tool") == "pan"
    assert field.input_value() == "bell 0-+"


def test_regions_are_saved_cleared_and_brought_back(page: Any, url: str, store: Path) -> None:
    open_tray(page, url, square(*SITES["b001"]), square(*SITES["b002"]))
    wait_text(page, "Cliff's delta")
    page.get_by_role("button", name="Keep…").click()
    page.locator("#tray input[placeholder^='letters']").fill("two maps")
    page.get_by_role("button", name="Save").click()
    wait_text(page, "not done: name: found 'two maps'")
    page.locator("#tray input[placeholder^='letters']").fill("two-maps")
    page.get_by_role("button", name="Save").click()
    wait_text(page, "saved as two-maps")
    assert (store / "saved/regions/two-maps.json").is_file()
    page.get_by_role("button", name="Clear").click()
    wait_text(page, "becomes region A")
    page.wait_for_function("() => !window.location.search.includes('&A=')")
    page.get_by_role("button", name="Load").click()
    wait_text(page, "Cliff's delta")
    # the address follows the tray by a moment
    page.wait_for_function("() => window.location.search.includes('&B=')")
    regions = decode(page.evaluate("window.location.search"))["regions"]
    np.testing.assert_allclose(regions["B"].polygon_um.mean(axis=0), SITES["b002"], atol=0.1)
    page.get_by_role("button", name="Forget").click()
    wait_text(page, "forgotten: two-maps")
    assert not (store / "saved/regions/two-maps.json").exists()


def test_the_comparison_is_downloaded(page: Any, url: str) -> None:
    open_tray(page, url, square(*SITES["b001"]), square(*SITES["b002"]))
    wait_text(page, "Cliff's delta")
    with page.expect_download() as waiting:
        page.locator("#tray a:has-text('CSV'), #tray button:has-text('CSV')").first.click()
    assert waiting.value.suggested_filename == "tiny-1-regions.csv"
    lines = Path(waiting.value.path()).read_text().splitlines()
    assert lines[0].startswith("# disc tiny-1, run-")
    rows = [line for line in lines if line.startswith(("region,", "difference,"))]
    assert [row.split(",")[:2] for row in rows] == [
        ["region", "A"],
        ["region", "B"],
        ["difference", "A"],
    ]


def test_a_point_of_the_plot_selects_its_site(page: Any, url: str) -> None:
    open_tray(page, url, square(*SITES["b001"]), scatter_x="modulus_kPa", scatter_y="exponent")
    page.wait_for_timeout(300)
    place = page.evaluate(
        """() => {
          const find = (views) => { for (const v of views) {
            if (v.model.name === "tray-scatter") return v;
            const deep = find(v.child_views || []); if (deep) return deep; } return null; };
          const view = find(Object.values(Bokeh.index.roots || Bokeh.index));
          const source = view.model.renderers.map((r) => r.data_source).find((s) => s.data.words);
          const i = source.data.words.findIndex((w) => w.startsWith("b002"));
          const canvas = view.canvas_view.el.getBoundingClientRect();
          return [canvas.x + view.frame.x_scale.compute(source.data.x[i]),
                  canvas.y + view.frame.y_scale.compute(source.data.y[i])];
        }"""
    )
    page.mouse.click(*place)
    page.wait_for_function("() => window.location.search.includes('site=b002')", timeout=10_000)


def test_the_fields_of_the_plot_go_into_the_address(page: Any, url: str) -> None:
    open_tray(page, url)
    fields = page.locator("#tray select").filter(has_text="fibril thickness, median [nm]")
    assert fields.count() == 3  # by, y, x
    fields.nth(2).select_option(label="fibril thickness, median [nm]")
    page.wait_for_function("() => window.location.search.includes('fibril_thickness_median_nm')")
    wait_text(page, "Each point joins a site")
    wait_text(page, "within")


def test_cells_are_compared_by_their_arrangement(page: Any, url: str) -> None:
    open_tray(page, url, square(*SITES["b001"], 60), colour_by="cells.pattern")
    wait_text(page, "double string")
    text = page.evaluate("trayText()")
    assert "cells per mm²" in text
    assert "Cells are described, not tested" in text


def test_the_tray_folds_and_unfolds(page: Any, url: str) -> None:
    open_tray(page, url, square(*SITES["b001"]))
    wait_text(page, "1 site")
    high = page.locator("#tray").bounding_box()["height"]
    page.get_by_role("button", name="Compare").click()
    wait_text(page, "regions A")
    page.wait_for_function("() => document.getElementById('tray').offsetHeight < 60")
    assert "1 site" not in page.evaluate("trayText()")
    page.get_by_role("button", name="Compare").click()
    wait_text(page, "1 site")
    page.wait_for_timeout(400)
    assert page.locator("#tray").bounding_box()["height"] == pytest.approx(high, abs=1)


def test_light_and_dark_are_both_legible(page: Any, url: str) -> None:
    """Contrast of words against the ground: at least 4.5 (WCAG 2.2, 1.4.3)."""
    for dark in (True, False):
        open_tray(page, url, square(*SITES["b001"]), square(*SITES["b002"]), dark=dark)
        wait_text(page, "Cliff's delta")
        ground, inks = page.evaluate(
            """() => {
              const inks = new Set();
              const walk = (node) => {
                if (node.nodeType !== 1 && node.nodeType !== 11) return;
                if (["STYLE", "SCRIPT", "OPTION"].includes(node.tagName)) return;
                for (const child of node.childNodes) {
                  if (child.nodeType !== 3) walk(child);
                  else if (child.data.trim()) inks.add(getComputedStyle(node).color);
                }
                if (node.shadowRoot) walk(node.shadowRoot);
              };
              walk(document.getElementById("tray"));
              return [getComputedStyle(document.getElementById("tray")).backgroundColor, [...inks]];
            }"""
        )
        assert len(inks) >= 2
        for ink in inks:
            assert contrast(ink, ground) >= 4.5, (dark, ink, ground)


def contrast(one: str, other: str) -> float:
    def luminance(colour: str) -> float:
        parts = np.array([float(v) / 255 for v in re.findall(r"[\d.]+", colour)[:3]])
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("page", [(1280, 800), (1440, 900), (1920, 1080)], indirect=True)
def test_nothing_sticks_out_of_the_tray(page: Any, url: str) -> None:
    shapes = [square(*SITES[site]) for site in ("b001", "b002", "b003", "n001")]
    open_tray(page, url, *shapes)
    wait_text(page, "Cliff's delta")
    page.wait_for_timeout(400)
    tray = page.locator("#tray").bounding_box()
    assert page.evaluate("document.querySelector('#tray .slot').scrollWidth") <= tray["width"] + 1
    for figure in page.locator("#tray .bk-Figure:visible").all():
        box = figure.bounding_box()
        assert box["x"] >= tray["x"] - 1
        assert box["x"] + box["width"] <= tray["x"] + tray["width"] + 1
        assert box["width"] > 90
    for button in page.locator("#tray button:visible").all():
        box = button.bounding_box()
        assert box["x"] + box["width"] <= tray["x"] + tray["width"] + 1


def test_a_link_with_a_region_of_another_disc_opens(page: Any, url: str) -> None:
    text = link(square(*SITES["b001"]), scatter_x="site").replace("A=tiny-1", "A=other")
    kit.open_view(page, url.rstrip("/") + "/" + text)
    page.evaluate(HELP)
    wait_text(page, "no line")


def test_no_change_came_without_the_lock(page: Any, url: str, store: Path) -> None:
    """Buttons of the tray run without Bokeh's lock: a bare change of a model would be said here."""
    open_tray(page, url, square(*SITES["b001"]), square(*SITES["b002"]))
    page.get_by_role("button", name="Keep…").click()
    page.get_by_role("button", name="Save").click()
    wait_text(page, "give it a name first")
    page.get_by_role("button", name="×").first.click()
    wait_text(page, "Draw a second region")
    page.get_by_role("button", name="Clear").click()
    wait_text(page, "becomes region A")
    assert "_pending_writes" not in (store.parent / "log").read_text()
