"""The plane in a real browser: pictures, zoom over five decades, clicks, keys, brush, address."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser_kit import (
    Seen,
    at_rest,
    browser,
    jump,
    new_page,
    open_view,
    pixels,
    viewer,
    watch,
    why_no_browser,
)
from viewer_kit import MOSAIC_PX, SITES, tiny_store

from engine.analysis import analyse_store
from engine.settings import Settings
from viewer.address import decode

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(bool(why_no_browser()), reason=why_no_browser() or "there is one"),
]

MIDDLE_UM = (MOSAIC_PX - 1) * 0.65 / 2


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiny_store(tmp_path_factory.mktemp("browser"))


@pytest.fixture(scope="module")
def url(store: Path) -> Iterator[str]:
    with viewer([store], store.parent / "log") as address:
        yield address


@pytest.fixture(scope="module")
def window() -> Iterator[Any]:
    with browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def context(window: Any) -> Any:
    # shared, so that the libraries' scripts come from the browser's cache
    return window.new_context(viewport={"width": 1440, "height": 900})


@pytest.fixture
def page(context: Any, url: str) -> Iterator[Any]:
    opened = context.new_page()
    seen = watch(opened)
    open_view(opened, url)
    yield opened
    seen.check()
    opened.close()


def screen_of(page: Any, x_um: float, y_um: float) -> tuple[float, float]:
    """Where a place of the disc is on the screen."""
    box = page.locator("#plane").bounding_box()
    x, y = page.evaluate(
        "([x, y]) => { const p = splendens.plane;"
        " return [(x - p.cx) / p.scale + p.width / 2, (y - p.cy) / p.scale + p.height / 2] }",
        [x_um, y_um],
    )
    return box["x"] + x, box["y"] + y


def click_at(page: Any, x_um: float, y_um: float) -> None:
    page.mouse.click(*screen_of(page, x_um, y_um))


def wait_search(page: Any, text: str) -> None:
    page.wait_for_function("t => window.location.search.includes(t)", arg=text, timeout=10_000)


def scales(page: Any) -> tuple[float, float]:
    found: list[float] = page.evaluate(
        "() => { const p = splendens.plane;"
        " return [(p.x.end - p.x.start) / p.width, (p.y.start - p.y.end) / p.height] }"
    )
    return found[0], found[1]


def test_the_whole_disc_comes_first_and_is_centred(page: Any) -> None:
    view = page.evaluate("splendens.plane.view()")
    assert view["x"] == pytest.approx(MIDDLE_UM, abs=0.5)
    assert view["y"] == pytest.approx(MIDDLE_UM, abs=0.5)
    assert view["s"] * min(view["w"], view["h"]) > MOSAIC_PX * 0.65
    # it was asked for while the page was still starting, and not once more
    asked = page.evaluate("performance.getEntriesByType('resource').map((entry) => entry.name)")
    of_this_size = f"w={view['w']}&h={view['h']}"
    assert sum(name.endswith(of_this_size) for name in asked) == 1
    shot = pixels(page).astype(float).mean(axis=2)
    middle = shot[shot.shape[0] // 2 - 40 : shot.shape[0] // 2 + 40, 460:560]
    assert middle.mean() > shot[200:240, 4:40].mean() + 8  # tissue against what lies round it


def test_a_notch_zooms_about_the_pointer_with_one_scale_in_x_and_y(page: Any) -> None:
    x, y = screen_of(page, *SITES["b001"])
    page.mouse.move(x, y)
    before = scales(page)
    for _ in range(4):
        page.mouse.wheel(0, -100)
        page.wait_for_timeout(60)
    at_rest(page)
    sx, sy = scales(page)
    assert sx < 0.6 * before[0]
    assert sx == pytest.approx(sy, rel=1e-9)
    now = screen_of(page, *SITES["b001"])
    assert now == pytest.approx((x, y), abs=3)  # the pointer stands on a whole pixel


def test_folding_keeps_the_scale_and_the_centre(page: Any) -> None:
    jump(page, *SITES["b002"], 0.11)
    for part in ("card", "tray"):
        page.evaluate("name => splendens.chrome.send(name)", part)
        page.wait_for_timeout(500)
        at_rest(page)
        view = page.evaluate("splendens.plane.view()")
        assert (view["x"], view["y"], view["s"]) == pytest.approx((*SITES["b002"], 0.11))
        assert scales(page) == pytest.approx((0.11, 0.11), rel=1e-9)
        canvas = page.evaluate("(() => { const c = document.getElementById('pictures');"
                               " return [c.width, c.height] })()")  # fmt: skip
        assert canvas == [view["w"], view["h"]]


def test_from_the_disc_to_a_nanometre_bands_show_at_their_period(page: Any) -> None:
    x, y = SITES["n001"]
    for scale in (1.0, 0.1, 0.01):
        jump(page, x, y, scale)
    jump(page, x, y, 0.002)
    shot = pixels(page).astype(float).mean(axis=2)
    side = 420  # the image is 1.28 um, 640 pixels here, and turned; stay inside it
    top, left = (shot.shape[0] - side) // 2, (shot.shape[1] - side) // 2
    patch = shot[top : top + side, left : left + side]
    assert patch.std() > 12
    power = np.abs(np.fft.rfft2((patch - patch.mean()) * np.outer(*[np.hanning(side)] * 2))) ** 2
    fy, fx = np.meshgrid(np.fft.fftfreq(side), np.fft.rfftfreq(side), indexing="ij")
    period_nm = 2.0 / np.maximum(np.hypot(fx, fy), 1e-9)
    # folder_kit: half cylinders 160 nm apart and bands of 67 nm across them
    bands = power[(period_nm > 62) & (period_nm < 72)].max()
    between = power[(period_nm > 57) & (period_nm < 61)].max()
    assert bands > 8 * between
    jump(page, x, y, 1e-4)  # a hundredth of a micrometre is a hundred pixels
    assert page.locator("#bar-text").text_content() == "10 nm"
    assert pixels(page).std() > 1


def test_the_scale_bar_is_as_long_as_it_says(page: Any) -> None:
    units = {"mm": 1e3, "µm": 1.0, "nm": 1e-3}
    for scale in (1.0, 0.2, 0.03, 0.0007):
        jump(page, *SITES["n001"], scale)
        number, unit = page.locator("#bar-text").text_content().split()
        width = page.evaluate("document.getElementById('bar').getBoundingClientRect().width")
        assert float(number) * units[unit] == pytest.approx(width * scale, rel=0.01)
        assert float(number) in (1, 2, 5, 10, 20, 50, 100, 200, 500)
        assert 50 <= width <= 160


def test_a_click_selects_a_site_and_then_one_of_its_curves(page: Any) -> None:
    assert page.title() == "tiny-1 · splendens"
    click_at(page, *SITES["b002"])
    wait_search(page, "site=b002")
    page.wait_for_function("document.title === 'b002 · tiny-1 · splendens'", timeout=10_000)
    jump(page, *SITES["b002"], 0.05)
    corner = page.evaluate(
        "(() => { const d = splendens.plane.sites.data, i = d.site.indexOf('b002');"
        " return [d.xs[i][0], d.ys[i][0]] })()"
    )
    click_at(page, *corner)
    wait_search(page, "k=0")
    found = decode(page.evaluate("window.location.search"))
    assert (found["site"], found["curve"]) == ("b002", 0)


def test_keys_walk_through_sites_and_move_the_view(page: Any) -> None:
    page.keyboard.press("]")
    wait_search(page, "site=b001")
    page.keyboard.press("]")
    wait_search(page, "site=b002")
    page.keyboard.press("[")
    wait_search(page, "site=b001")
    page.keyboard.press("Enter")
    page.wait_for_function("splendens.plane.scale < 0.1", timeout=10_000)
    at_rest(page)
    view = page.evaluate("splendens.plane.view()")
    assert (view["x"], view["y"]) == pytest.approx(SITES["b001"], abs=0.5)
    page.keyboard.press("ArrowRight")
    page.wait_for_function("x => splendens.plane.cx > x + 1", arg=view["x"], timeout=10_000)
    at_rest(page)
    page.keyboard.press("-")
    page.wait_for_function("s => splendens.plane.scale > 1.9 * s", arg=view["s"], timeout=10_000)
    at_rest(page)
    page.keyboard.press("0")
    page.wait_for_function("splendens.plane.scale > 0.2", timeout=10_000)
    at_rest(page)
    page.keyboard.press("Escape")
    page.wait_for_function("() => !window.location.search.includes('site=')", timeout=10_000)


def test_a_lasso_makes_regions_with_the_next_free_letter(page: Any) -> None:
    page.keyboard.press("l")
    # the tray unfolds with the first region and the plane shrinks: ask anew where things are
    for letter, (x_um, y_um) in (("A", SITES["b001"]), ("B", SITES["b002"])):
        x, y = screen_of(page, x_um, y_um)
        page.mouse.move(x + 40, y)
        page.mouse.down()
        for turn in np.linspace(0, 2 * np.pi, 30):
            page.mouse.move(x + 40 * np.cos(turn), y + 40 * np.sin(turn))
        page.mouse.up()
        wait_search(page, f"&{letter}=")
        page.wait_for_timeout(600)
        at_rest(page)
    regions = decode(page.evaluate("window.location.search"))["regions"]
    assert list(regions) == ["A", "B"]
    for letter, site in (("A", "b001"), ("B", "b002")):
        middle = regions[letter].polygon_um.mean(axis=0)
        np.testing.assert_allclose(middle, SITES[site], atol=4)


def test_the_legend_folds_and_hides_no_letter(page: Any, window: Any, url: str) -> None:
    page.keyboard.press("b")
    box = page.locator("#legend").bounding_box()
    # the letter of a box stands over its first corner
    page.mouse.move(box["x"] + 40, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] - 60, box["y"] + 20, steps=4)
    page.mouse.up()
    wait_search(page, "&A=")
    page.wait_for_timeout(600)
    at_rest(page)
    page.wait_for_function(
        "() => { const [x, y] = splendens.plane.landmarks()[0];"
        " const at = document.getElementById('plane').getBoundingClientRect();"
        " const box = document.getElementById('legend').getBoundingClientRect();"
        " const inside = (v, low, high) => v > low && v < high;"
        " return !(inside(at.x + x, box.left, box.right)"
        " && inside(at.y + y, box.top, box.bottom)) }",
        timeout=5_000,
    )
    page.keyboard.press("g")
    wait_search(page, "g=0")
    assert page.locator("#legend .ramp").is_hidden()
    other, seen = new_page(window)
    open_view(other, url.rstrip("/") + "/" + page.evaluate("window.location.search"))
    assert other.locator("#legend .ramp").is_hidden()
    seen.check()
    other.close()


def test_a_box_makes_a_rectangle(page: Any) -> None:
    page.keyboard.press("b")
    x, y = screen_of(page, *SITES["b003"])
    page.mouse.move(x - 50, y - 30)
    page.mouse.down()
    page.mouse.move(x, y, steps=4)
    page.mouse.move(x + 50, y + 30, steps=4)
    page.mouse.up()
    wait_search(page, "&A=")
    corners = decode(page.evaluate("window.location.search"))["regions"]["A"].polygon_um
    assert len(corners) == 4
    width, height = np.ptp(corners, axis=0)
    assert width / height == pytest.approx(100 / 60, rel=0.05)


def test_a_copied_link_opens_the_same_picture(page: Any, window: Any, url: str) -> None:
    click_at(page, *SITES["b002"])
    wait_search(page, "site=b002")
    page.evaluate("splendens.chrome.send('theme')")
    page.evaluate("splendens.chrome.send('colour', 'sites.pattern')")
    jump(page, 118.25, 97.5, 0.31)
    wait_search(page, "c=sites.pattern")
    wait_search(page, "s=0.31&")
    page.mouse.move(5, 5)
    page.wait_for_timeout(500)
    here = pixels(page)
    other, seen = new_page(window)
    open_view(other, url.rstrip("/") + "/" + page.evaluate("window.location.search"))
    other.wait_for_timeout(500)
    there = pixels(other)
    assert here.shape == there.shape
    differing = (np.abs(here.astype(int) - there) > 24).any(axis=2).mean()
    assert differing < 0.002
    assert here.mean() > 120  # the light page
    seen.check()
    other.close()


def test_back_and_forward(page: Any) -> None:
    click_at(page, *SITES["b001"])
    wait_search(page, "site=b001")
    click_at(page, *SITES["b002"])
    wait_search(page, "site=b002")
    page.go_back()
    wait_search(page, "site=b001")
    page.wait_for_function(
        "() => { const d = splendens.plane.selection.data, s = splendens.plane.sites.data;"
        " return Math.abs(d.x[0] - s.x[s.site.indexOf('b001')]) < 0.01 }",
        timeout=10_000,
    )
    page.go_forward()
    wait_search(page, "site=b002")


def test_no_model_of_the_page_names_a_foreign_address(page: Any) -> None:
    click_at(page, *SITES["b002"])
    wait_search(page, "site=b002")
    for _ in range(3):  # a height image is among them
        page.keyboard.press("]")
        page.wait_for_timeout(400)
    named = page.evaluate(
        """() => Bokeh.documents.flatMap((d) => [...d._all_models.values()]
          .map((m) => m.url).filter((u) => typeof u === "string" && u.includes("://")))"""
    )
    assert named == []


def test_layers_and_theme_change_the_picture(page: Any) -> None:
    jump(page, *SITES["b001"], 0.2)
    page.mouse.move(5, 5)
    before = pixels(page)
    page.locator("[data-layer=mosaic]").click()
    page.wait_for_function("() => !splendens.plane.style.includes('mosaic')", timeout=10_000)
    at_rest(page)
    page.wait_for_timeout(200)
    assert pixels(page).mean() < before.mean() - 3
    page.evaluate("splendens.chrome.send('theme')")
    page.wait_for_function("() => splendens.plane.style.includes('light')", timeout=10_000)
    at_rest(page)
    page.wait_for_timeout(200)
    assert pixels(page).mean() > 180
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert ground == "rgb(233, 233, 232)"


def test_the_ladder_flies_to_what_lies_near(page: Any) -> None:
    rung = page.locator("#ladder [aria-label='fly to height image n001']")
    at_rest(page)  # the ladder is drawn anew when the view changes: no key between focus and press
    rung.press("Enter")
    wait_search(page, "site=n001")
    page.wait_for_function("splendens.plane.scale < 0.01", timeout=10_000)
    at_rest(page)
    view = page.evaluate("splendens.plane.view()")
    assert (view["x"], view["y"]) == pytest.approx(SITES["n001"], abs=0.2)
    assert 1.28 / view["s"] == pytest.approx(0.8 * min(view["w"], view["h"]), rel=0.02)


def test_a_failed_picture_is_said_and_asked_for_again(window: Any, url: str) -> None:
    page, seen = new_page(window)
    open_view(page, url)
    page.route("**/picture*", lambda route: route.abort())
    page.evaluate("splendens.plane.fly(60, 80, 0.4, true)")
    page.wait_for_selector("#trouble:not([hidden])", timeout=10_000)
    page.unroute("**/picture*")
    at_rest(page)
    assert page.locator("#trouble").is_hidden()
    assert not seen.foreign
    page.close()


def test_never_more_than_one_request_in_flight(page: Any) -> None:
    page.evaluate(
        """() => {
          window.flying = {}; window.most = {}; window.asked = 0;
          const real = window.fetch;
          window.fetch = async (...a) => {
            const kind = a[0].split("?")[0];
            window.asked += kind === "picture";
            window.flying[kind] = (window.flying[kind] || 0) + 1;
            window.most[kind] = Math.max(window.most[kind] || 0, window.flying[kind]);
            try { return await real(...a); } finally { window.flying[kind] -= 1; }
          };
        }"""
    )
    x, y = screen_of(page, *SITES["b001"])
    page.mouse.move(x, y)
    for _ in range(25):
        page.mouse.wheel(0, -60)
        page.wait_for_timeout(15)
    at_rest(page)
    most = page.evaluate("most")
    assert most.pop("picture") == 1
    assert set(most.values()) <= {1}, most  # nor of any other kind
    assert page.evaluate("asked") < 25


def test_presenting_enlarges_the_words_and_keeps_the_caution(page: Any) -> None:
    def size(selector: str) -> float:
        css = "element => parseFloat(getComputedStyle(element).fontSize)"
        return float(page.locator(selector).first.evaluate(css))

    parts = ("#caution", "#bar-text", "#legend .quantity", "#ladder .decade", "header select")
    before = {part: size(part) for part in parts}
    page.keyboard.press("f")
    wait_search(page, "p=1")
    page.wait_for_timeout(400)
    at_rest(page)
    for part, was in before.items():
        # a fiftieth of the screen's height, as slides are set
        assert size(part) >= max(1.3 * was, 900 / 56), part
    caution, plane = (page.locator(s).bounding_box() for s in ("#caution", "#stage"))
    assert plane["width"] > 0.8 * 1440
    assert caution["x"] + caution["width"] <= plane["x"] + plane["width"]
    for part in ("#present", "#help-open"):
        box = page.locator(part).bounding_box()
        assert box["x"] + box["width"] <= 1440
    page.keyboard.press("f")
    page.wait_for_function("() => !window.location.search.includes('p=1')", timeout=10_000)


def test_a_run_made_meanwhile_is_offered(page: Any, store: Path) -> None:
    jump(page, *SITES["b002"], 0.3)
    assert page.locator("#newer").is_hidden()
    analyse_store(store, Settings(seed=77))
    page.wait_for_selector("#newer:not([hidden])", timeout=15_000)
    assert page.locator("#newer").text_content() == "run-0002 is there: show"
    before = page.evaluate("splendens.plane.view()")
    page.locator("#newer").click()
    page.wait_for_function("splendens.plane.style.includes('run-0002')", timeout=10_000)
    at_rest(page)
    assert page.evaluate("splendens.plane.view()") == before
    assert page.locator("#newer").is_hidden()
    assert page.locator("#run").text_content() == "run-0002, current"


def test_it_fits_small_and_large_screens(window: Any, url: str) -> None:
    for width, height in ((1280, 720), (1920, 1080), (3840, 2160)):
        page, seen = new_page(window, width, height)
        open_view(page, url)
        over = page.evaluate(
            "[document.documentElement.scrollWidth - innerWidth,"
            " document.documentElement.scrollHeight - innerHeight]"
        )
        assert max(over) <= 0
        view = page.evaluate("splendens.plane.view()")
        assert view["w"] > 0.55 * width
        seen.check()
        page.close()


def test_a_request_that_leaves_the_machine_would_be_seen(window: Any) -> None:
    page, seen = new_page(window)
    page.set_content("<img src='http://example.invalid/x.png'>")
    page.wait_for_timeout(300)
    with pytest.raises(AssertionError, match="leave the machine"):
        Seen(foreign=seen.foreign).check()
    page.close()
