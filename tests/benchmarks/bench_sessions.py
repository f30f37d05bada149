"""Memory of the server over sessions that open, look at a site and close, in headless Chromium.

Usage: python tests/benchmarks/bench_sessions.py STORE [SESSIONS]

The first sessions fill the caches that all share; after them the memory should stay flat.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from browser_kit import at_rest, browser, free_port, new_page, open_view, viewer  # noqa: E402


def resident_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    line = next(row for row in status.splitlines() if row.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def server_pid(port: int) -> int:
    found = subprocess.run(
        ["pgrep", "-f", f"open_browser=False.* {port} "], capture_output=True, check=True
    )
    return int(found.stdout.split()[0])


def main() -> None:
    store, sessions = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 20
    port = free_port()
    with (
        tempfile.TemporaryDirectory() as folder,
        viewer([store], Path(folder) / "log", port) as url,
        browser() as window,
    ):
        pid, rows = server_pid(port), []
        for number in range(1, sessions + 1):
            page, seen = new_page(window)
            open_view(page, url)
            page.keyboard.press("]")
            page.wait_for_timeout(1500)
            page.evaluate("splendens.chrome.send('rung', 2)")
            page.wait_for_timeout(2500)
            at_rest(page)
            seen.check()
            page.close()
            rows.append(resident_mb(pid))
            print(f"session {number:2d}  {rows[-1]:7.0f} MB", flush=True)
        half = len(rows) // 2
        growth = (rows[-1] - rows[half]) / max(len(rows) - 1 - half, 1)
        print(f"growth over the second half {growth:.2f} MB a session")


if __name__ == "__main__":
    main()
