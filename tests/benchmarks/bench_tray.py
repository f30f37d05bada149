"""Time from letting go of the mouse to the last number of the tray, in headless Chromium.

Usage: python tests/benchmarks/bench_tray.py STORE [ROUNDS]   (bar: median at most 100 ms)

A lasso is drawn with the mouse; the clock starts at the browser's own pointerup and stops one frame
after the last change of any word or number in the tray. Beside it stands what the server alone
takes, without a browser.
"""

import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

import numpy as np  # noqa: E402
from browser_kit import at_rest, browser, new_page, open_view, viewer  # noqa: E402

from viewer.library import Library  # noqa: E402
from viewer.regions import Tray  # noqa: E402
from viewer.state import REGION_LETTERS, ViewState, make_region  # noqa: E402

WATCH_MS = 700
WATCH = """
(watch) => {
  const text = () => {
    const parts = [];
    const walk = (node) => {
      if (node.nodeType === 3) { parts.push(node.data); return; }
      if (node.nodeType === 1 && ["STYLE", "SCRIPT", "OPTION"].includes(node.tagName)) return;
      if (node.shadowRoot) walk(node.shadowRoot);
      node.childNodes.forEach(walk);
    };
    walk(document.getElementById("tray"));
    return parts.join("|");
  };
  window.brushed = new Promise((done) => {
    document.addEventListener("pointerup", () => {
      const begun = performance.now();
      let seen = text(), last = -1;
      const look = () => {
        const now = text();
        if (now !== seen) {
          seen = now;
          requestAnimationFrame(() => { last = performance.now() - begun; });
        }
        if (performance.now() - begun < watch) setTimeout(look, 3); else done(last);
      };
      look();
    }, { capture: true, once: true });
  });
}
"""


def lasso(page: Any, x: float, y: float, radius: float) -> float:
    """Draw a lasso round a place of the screen; give the time until the tray stands."""
    page.evaluate(WATCH, WATCH_MS)
    page.mouse.move(x + radius, y)
    page.mouse.down()
    for turn in np.linspace(0, 2 * np.pi, 40):
        page.mouse.move(x + radius * np.cos(turn), y + radius * np.sin(turn))
    page.mouse.up()
    found: float = page.evaluate("brushed")
    at_rest(page)
    return found


def in_browser(store: Path, rounds: int) -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        viewer([store], Path(folder) / "log") as url,
        browser() as window,
    ):
        page, seen = new_page(window)
        open_view(page, url)
        page.keyboard.press("l")
        box = page.locator("#plane").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        print(f"first region, tray unfolds     {lasso(page, x - 60, y - 30, 90):6.0f} ms")
        page.wait_for_timeout(1500)
        rng, times = np.random.default_rng(1), []
        box = page.locator("#plane").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        for _ in range(rounds):
            dx, dy = rng.uniform(-80, 80, 2)
            times.append(lasso(page, x + dx, y + dy, rng.uniform(50, 110)))
        if min(times) < 0:
            raise AssertionError(f"the tray did not follow a region: {times}")
        times.sort()
        p90 = times[int(0.9 * (rounds - 1))]
        print(
            f"mouse-up to tray, to 4 regions median {statistics.median(times):6.0f} ms"
            f"  p90 {p90:6.0f}"
        )
        seen.check()


def on_server(store: Path, rounds: int) -> None:
    library = Library.open([store])
    disc = library.discs[0]
    state = ViewState(discs=[disc], disc=disc, tray_open=True)
    tray = Tray(state, library)
    sites = library.sites(disc)
    low, high = sites[["x_um", "y_um"]].min().to_numpy(), sites[["x_um", "y_um"]].max().to_numpy()
    rng, angle = np.random.default_rng(2), np.linspace(0, 2 * np.pi, 300)
    for count in (2, 4):
        times = []
        for _ in range(rounds):
            radius = 0.25 * (high - low).min() * (1 + 0.2 * np.sin(5 * angle))
            ring = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
            kept = dict(list(state.regions.items())[: count - 1])
            letter = REGION_LETTERS[len(kept)]
            region = make_region(disc, ring + rng.uniform(low, high))
            begun = time.perf_counter()
            state.regions = {**kept, letter: region}
            times.append(1e3 * (time.perf_counter() - begun))
        held = sum(h.cells.cells for h in tray.numbers.holdings)
        print(
            f"server alone, {len(state.regions)} regions        "
            f"median {statistics.median(times):6.1f} ms  (they hold {held} cells)"
        )


if __name__ == "__main__":
    where, times_each = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 12
    on_server(where, times_each)
    in_browser(where, times_each)
