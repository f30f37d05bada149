"""Sessions come and go: an unused one dies and leaves nothing behind."""

import asyncio
import gc
import threading
import time
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bokeh.client import pull_session
from tornado.ioloop import IOLoop
from viewer_kit import tiny_store

from viewer import serve
from viewer.library import Library
from viewer.page import new_state

SESSIONS = 20


@pytest.fixture
def server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    monkeypatch.setattr(serve, "UNUSED_SESSION_MS", 400)
    monkeypatch.setattr(serve, "CHECK_SESSIONS_MS", 200)
    store = tiny_store(tmp_path)
    started, said = threading.Event(), {}

    def run() -> None:
        asyncio.set_event_loop(asyncio.new_event_loop())
        said.update(server=serve.make_server(Library.open([store]), port=0), loop=IOLoop.current())
        said["server"].start()
        started.set()
        IOLoop.current().start()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert started.wait(30)
    yield said["server"]
    said["loop"].add_callback(said["server"].stop)
    said["loop"].add_callback(said["loop"].stop)
    thread.join(10)


def test_twenty_sessions_leave_nothing(server: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    states: list[weakref.ref[Any]] = []

    def remembered(*given: Any) -> Any:
        state, placed = new_state(*given)
        states.append(weakref.ref(state))
        return state, placed

    monkeypatch.setattr("viewer.page.new_state", remembered)
    asyncio.set_event_loop(asyncio.new_event_loop())
    for _ in range(SESSIONS):
        session = pull_session(url=f"http://127.0.0.1:{server.port}/")
        assert server.get_sessions("/")
        session.close()
    end = time.monotonic() + 15
    while time.monotonic() < end and server.get_sessions("/"):
        time.sleep(0.1)
    assert server.get_sessions("/") == []
    assert len(states) >= SESSIONS
    held = states
    while time.monotonic() < end and len(held) > 1:  # what was planned for a session still runs out
        time.sleep(0.5)
        gc.collect()
        held = [ref for ref in states if ref() is not None]
    assert len(held) <= 1, f"{len(held)} of {len(states)} states are still held"
