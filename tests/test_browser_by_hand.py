"""Groups, corrections and landmarks in a real browser, from the click to what is kept."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser_kit import browser, jump, new_page, open_view, viewer, why_no_browser
from viewer_kit import SITES, tiny_store

from engine.store import open_store
from engine.store.corrections import corrections_of
from engine.store.landmark_sets import saved_sets

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(bool(why_no_browser()), reason=why_no_browser() or "there is one"),
]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiny_store(tmp_path_factory.mktemp("browser"))


@pytest.fixture(scope="module")
def page(store: Path) -> Iterator[Any]:
    with viewer([store], store.parent / "log") as url, browser() as window:
        opened, seen = new_page(window)
        open_view(opened, url)
        yield opened
        seen.check()


def click_at(page: Any, x_um: float, y_um: float) -> None:
    box = page.locator("#plane").bounding_box()
    x, y = page.evaluate(
        "([x, y]) => { const p = splendens.plane;"
        " return [(x - p.cx) / p.scale + p.width / 2, (y - p.cy) / p.scale + p.height / 2] }",
        [x_um, y_um],
    )
    page.mouse.click(box["x"] + x, box["y"] + y)


def far_from_sites(store: Path) -> tuple[float, float]:
    """Give a cell that no site's footprint lies over."""
    for _, cell in open_store(store).table("cells").iterrows():
        x, y = float(cell["x_um"]), float(cell["y_um"])
        if all(abs(x - sx) + abs(y - sy) > 40 for sx, sy in SITES.values()):
            return x, y
    raise AssertionError("every cell lies under a site")


def test_a_group_is_clicked_told_and_let_go(page: Any, store: Path) -> None:
    x, y = far_from_sites(store)
    jump(page, x, y - 20, 0.25)
    click_at(page, x, y)
    box = page.locator("#group")
    box.wait_for(state="visible")
    assert "Confidence" in box.inner_text()
    page.wait_for_function("() => location.search.includes('cg=')")
    page.keyboard.press("Escape")
    box.wait_for(state="hidden")
    page.wait_for_function("() => !location.search.includes('cg=')")


def test_a_cell_is_corrected_under_a_name(page: Any, store: Path) -> None:
    x, y = far_from_sites(store)
    jump(page, x, y - 20, 0.25)
    page.locator("#modes button[data-name=cells]").click()
    strip = page.locator("#strip")
    name = strip.get_by_label("your name")
    name.fill("A. Person")
    name.press("Enter")
    strip.get_by_text("nothing corrected yet").wait_for()
    click_at(page, x, y)
    strip.get_by_text("0 added, 1 taken out, by A. Person").wait_for()
    (made,) = corrections_of(store)
    assert (made.what, made.who, made.stands) == ("remove", "A. Person", True)
    strip.get_by_role("button", name="undo").click()
    strip.get_by_text("nothing corrected yet").wait_for()
    assert not corrections_of(store)[0].stands
    page.keyboard.press("Escape")
    strip.wait_for(state="hidden")


def test_a_landmark_is_moved_and_the_set_kept(page: Any, store: Path) -> None:
    x, y = (float(v) for v in open_store(store).frame.disc_um[0])
    jump(page, x, y - 40, 0.25)
    page.locator("#modes button[data-name=landmarks]").click()
    strip = page.locator("#strip")
    strip.get_by_text("5 landmarks, mirrored").wait_for()
    before = strip.inner_text()
    click_at(page, x, y)
    strip.get_by_text("L1 is taken up").wait_for()
    click_at(page, x + 6, y)
    keep = strip.get_by_role("button", name="keep this set")
    keep.wait_for()
    assert strip.inner_text() != before
    keep.click()
    keep.wait_for(state="detached")
    (kept,) = saved_sets(store).values()
    assert kept["saved"]["who"] == "A. Person"
    assert kept["landmarks"][0]["disc_x_um"] == pytest.approx(x + 6, abs=0.3)
