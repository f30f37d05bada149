"""Start the viewer on stores and look at it in headless Chromium."""

import shutil
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from socket import AF_INET, SOCK_STREAM, socket
from typing import Any

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
START = (
    "import sys; from pathlib import Path; from viewer.serve import serve; "
    "serve([Path(p) for p in sys.argv[2:]], port=int(sys.argv[1]), open_browser=False)"
)
FIRST_PICTURE = "() => window.splendens && splendens.plane && splendens.plane.stats.pictures > 0"
AT_REST = (
    "() => { const p = splendens.plane; "
    "return !p.busy && !p.wanted && !p.flying && p.shown && p.shown.s === p.scale"
    " && p.shown.x === p.cx && p.shown.y === p.cy && p.shownGeneration === p.generation }"
)


def why_no_browser() -> str:
    """Reason why browser tests cannot run here; empty where they can."""
    try:
        import playwright.sync_api  # noqa: F401
    except ImportError:
        return "playwright is not installed"
    return "" if chromium() else "no Chromium (Debian's package `chromium`) was found"


def chromium() -> str | None:
    return shutil.which("chromium") or shutil.which("chromium-browser")


def free_port() -> int:
    with socket(AF_INET, SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def viewer(stores: Sequence[Path], log: Path, port: int = 0) -> Iterator[str]:
    """Serve stores in a process of their own; gives the page's address once it is ready."""
    port = port or free_port()
    command = [sys.executable, "-c", START, str(port), *map(str, stores)]
    root = Path(__file__).resolve().parent.parent
    with log.open("w") as out:
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, cwd=root)
        url = f"http://127.0.0.1:{port}/"
        try:
            wait_ready(url, process, log)
            yield url
        finally:
            process.terminate()
            process.wait(10)


def wait_ready(url: str, process: subprocess.Popen[Any], log: Path, seconds: float = 180) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if process.poll() is not None:
            break
        try:
            with urllib.request.urlopen(url + "ready", timeout=5) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            pass
        time.sleep(0.1)
    raise AssertionError(f"the viewer did not become ready:\n{log.read_text()}")


@dataclass
class Seen:
    """What a page did that it should not have done."""

    errors: list[str] = field(default_factory=list)
    foreign: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)

    def check(self) -> None:
        assert not self.foreign, f"requests that leave the machine: {self.foreign}"
        assert not self.errors, f"console errors: {self.errors}"
        assert not self.failed, f"failed requests: {self.failed}"


@contextmanager
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as engine:
        window = engine.chromium.launch(executable_path=chromium(), args=list(FLAGS))
        try:
            yield window
        finally:
            window.close()


def new_page(window: Any, width: int = 1440, height: int = 900, **how: Any) -> tuple[Any, Seen]:
    page = window.new_page(viewport={"width": width, "height": height}, **how)
    return page, watch(page)


def watch(page: Any) -> Seen:
    seen = Seen()

    def said(message: Any) -> None:
        if message.type in ("error", "warning"):
            seen.errors.append(message.text)

    def asked(request: Any) -> None:
        if not request.url.startswith(("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:")):
            seen.foreign.append(request.url)

    page.on("console", said)
    page.on("pageerror", lambda error: seen.errors.append(str(error)))
    page.on("request", asked)
    page.on(
        "response",
        lambda r: seen.failed.append(f"{r.status} {r.url}") if r.status >= 400 else None,
    )
    return seen


def open_view(page: Any, url: str, seconds: float = 20) -> None:
    page.goto(url)
    page.wait_for_function(FIRST_PICTURE, timeout=seconds * 1000)
    at_rest(page)


def at_rest(page: Any, seconds: float = 20) -> None:
    """Wait until the plane shows a sharp picture of what is looked at and Python knows of it."""
    page.wait_for_function(AT_REST, timeout=seconds * 1000)
    page.wait_for_function(
        "() => { const p = splendens.plane; return p.bridge.view && p.bridge.view.s === p.scale }",
        timeout=seconds * 1000,
    )


def jump(page: Any, x_um: float, y_um: float, um_per_px: float) -> None:
    page.evaluate("([x, y, s]) => splendens.plane.fly(x, y, s, true)", [x_um, y_um, um_per_px])
    page.wait_for_timeout(30)
    at_rest(page)


def pixels(page: Any, selector: str = "#plane") -> Any:
    """The plane as it stands on the screen, (height, width, 3) uint8."""
    import io

    import numpy as np
    from PIL import Image

    shot = page.locator(selector).screenshot()
    return np.asarray(Image.open(io.BytesIO(shot)).convert("RGB"))
