"""Stains and tiles in a real browser: the panel colours the picture, and a link keeps it."""

from typing import Any

import numpy as np
import pytest
from browser_kit import at_rest, browser, new_page, open_view, pixels, viewer, why_no_browser
from test_store_labels import store  # noqa: F401 - the fixture

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(bool(why_no_browser()), reason=why_no_browser() or "there is one"),
]


def colourfulness(page: Any) -> float:
    """Share of the plane's middle that is clearly no grey."""
    middle = pixels(page)[250:600, 250:700].astype(int)
    return float((np.ptp(middle, axis=2) > 40).mean())


def test_a_stain_is_shown_coloured_windowed_and_kept_in_the_link(store, tmp_path):  # noqa: F811
    with viewer([store.path], tmp_path / "log") as url, browser() as window:
        page, seen = new_page(window)
        open_view(page, url)
        for layer in ("cells", "links", "sites", "curves", "outline"):
            page.click(f'[data-layer="{layer}"]')
        at_rest(page)
        assert colourfulness(page) < 0.001
        page.click('#panels [data-name="stains"]')
        page.get_by_label("collagen II", exact=True).check()
        page.wait_for_function("() => location.search.includes('st=')")
        page.wait_for_timeout(300)
        at_rest(page)
        assert colourfulness(page) > 0.1
        page.get_by_role("radiogroup", name="collagen II, colour").get_by_label("orange").click()
        page.wait_for_function("() => /collagen_II(,|%2C)o/.test(location.search)")
        assert page.locator("#legend .inks li").count() == 2
        high = page.get_by_label("collagen II, darkest and brightest value, to")
        high.focus()
        for _ in range(3):
            high.press("ArrowLeft")
        page.wait_for_function("() => /collagen_II(,|%2C)o(:|%3A)/.test(location.search)")
        page.wait_for_timeout(300)
        at_rest(page)
        link, before = page.url, pixels(page)[250:600, 250:700].astype(int)
        open_view(page, link)
        page.wait_for_timeout(300)
        after = pixels(page)[250:600, 250:700].astype(int)
        # the fold-out is closed on the reopened page; what lies under it may differ
        assert np.median(np.abs(after - before)) <= 2
        assert colourfulness(page) > 0.1
        assert page.locator('#panels [data-name="tiling"]').count() == 0  # no tiles on this disc
        seen.check()
