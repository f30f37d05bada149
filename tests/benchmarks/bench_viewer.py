"""Time from a wheel notch, a pan or a page's opening to a sharp picture, in headless Chromium.

Usage: python tests/benchmarks/bench_viewer.py STORE [ROUNDS]

Sharp means: the picture of exactly the view that is looked at has been handed to the canvas and the
next frame has been painted. Times are taken inside the page.
"""

import statistics
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from browser_kit import at_rest, browser, new_page, open_view, viewer  # noqa: E402

SHARP = """
() => {
  const p = splendens.plane;
  const was = [p.cx, p.cy, p.scale];
  const frame = () => new Promise((go) => requestAnimationFrame(go));
  const sharp = async (begun) => {
    for (let i = 0; i < 600; i += 1) {
      await frame();
      const moved = p.cx !== was[0] || p.cy !== was[1] || p.scale !== was[2];
      const s = p.shown;
      if (moved && s && s.x === p.cx && s.y === p.cy && s.s === p.scale) break;
    }
    await frame();
    return { ms: performance.now() - begun, ...p.timing };
  };
  window.measured = new Promise((done) => {
    document.addEventListener("wheel", () => sharp(performance.now()).then(done),
      { capture: true, once: true });
    window.panned = (dx, dy) => {
      const begun = performance.now();
      const hw = 0.5 * p.width * p.scale, hh = 0.5 * p.height * p.scale;
      const x = p.cx + dx * p.scale, y = p.cy + dy * p.scale;
      p.x.setv({ start: x - hw, end: x + hw });
      p.y.setv({ start: y + hh, end: y - hh });
      sharp(begun).then(done);
    };
  });
}
"""


def measure(page: Any, wheel: int = 0, pan: tuple[int, int] = (0, 0)) -> dict[str, float]:
    page.evaluate(SHARP)
    if wheel:
        page.mouse.move(600, 420)
        page.mouse.wheel(0, wheel)
    else:
        page.evaluate("([dx, dy]) => panned(dx, dy)", list(pan))
    found: dict[str, float] = page.evaluate("measured")
    page.wait_for_timeout(500)
    at_rest(page)
    return found


def report(name: str, rows: list[dict[str, float]]) -> None:
    ms = sorted(row["ms"] for row in rows)
    p90 = ms[int(0.9 * (len(ms) - 1))]
    parts = ", ".join(
        f"{key} {statistics.median(row[key] for row in rows):.0f}"
        for key in ("fetch", "decode")
        if key in rows[0]
    )
    print(f"{name:28s} median {statistics.median(ms):6.0f} ms  p90 {p90:6.0f}  ({parts})")


def first_pictures(window: Any, url: str, rounds: int) -> list[dict[str, float]]:
    opened = []
    for _ in range(rounds):
        page, _ = new_page(window)
        open_view(page, url)
        opened.append({"ms": page.evaluate("splendens.plane.stats.firstMs")})
        page.close()
    return opened


def main() -> None:
    store, rounds = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 12
    with tempfile.TemporaryDirectory() as folder, viewer([store], Path(folder) / "log") as url:
        run(url, rounds)


def run(url: str, rounds: int) -> None:
    with browser() as window:
        report("first picture", first_pictures(window, url, 5))
        page, seen = new_page(window)
        open_view(page, url)
        report("notch, from the disc", [measure(page, wheel=-100) for _ in range(rounds)])
        report("pan, near cells", [measure(page, pan=(120, 60)) for _ in range(rounds)])
        page.evaluate("splendens.chrome.send('rung', 2)")
        page.wait_for_timeout(2500)
        at_rest(page)
        report("notch, in a height image", [measure(page, wheel=-100) for _ in range(rounds)])
        report("pan, on fibrils", [measure(page, pan=(-90, 70)) for _ in range(rounds)])
        seen.check()


if __name__ == "__main__":
    main()
