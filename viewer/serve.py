"""Start the viewer on some stores."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from pathlib import Path
from socket import AF_INET, AF_INET6, SOCK_STREAM, socket
from threading import Event, Thread, main_thread
from typing import Any
from urllib.parse import urlencode

import panel as pn
from bokeh.settings import settings as bokeh_settings

from viewer import site_card
from viewer.gallery import Gallery
from viewer.library import Library
from viewer.page import build_page
from viewer.pair import build_pair
from viewer.server import headers_for, routes

_log = logging.getLogger(__name__)
UNUSED_SESSION_MS = 15_000
CHECK_SESSIONS_MS = 5_000


def make_server(
    library: Library, port: int = 5006, address: str = "127.0.0.1", open_browser: bool = False
) -> Any:
    """Make the server without starting its loop.

    Compiled code is made ready in a thread; ``/ready`` turns green when that is done.

    Parameters
    ----------
    library
        The open discs.
    port
        0 takes a free one.
    address
        Where it listens.
    open_browser
        Whether a browser window is opened once everything is ready.

    Returns
    -------
    bokeh.server.server.Server
        Its ``port`` says where it listens.
    """
    port = port or _free_port(address)
    gallery = Gallery(library)
    warmed = Event()
    bokeh_settings.resources.set_value("server")  # whatever the environment says: nothing is hosted
    pn.extension(notifications=True, reconnect=True)

    def asked() -> dict[str, str]:
        given = pn.state.session_args or {}
        return {key: value.decode("utf-8", "replace") for key, (value, *_) in given.items()}

    def page() -> Any:
        return build_page(gallery, "?" + urlencode(asked()))

    def pair() -> Any:
        return build_pair(library.pinned(), asked())

    server = pn.serve(
        {"/": page, "/pair": pair},
        port=port,
        address=address,
        show=False,
        start=False,
        verbose=False,
        title="splendens",
        location=False,
        extra_patterns=routes(gallery, warmed.is_set),
        unused_session_lifetime_milliseconds=UNUSED_SESSION_MS,
        check_unused_sessions_milliseconds=CHECK_SESSIONS_MS,
        websocket_origin=_origins(address, port),
    )
    server._tornado.transforms.append(headers_for(_origins(address, server.port)))

    def ready() -> None:
        warmed.set()
        if open_browser:
            server.io_loop.add_callback(server.show, "/")

    def stopping() -> bool:
        return server._stopped or not main_thread().is_alive()

    work = (gallery, ready, stopping)
    Thread(target=_warm, args=work, name="warm-up", daemon=True).start()
    return server


def _warm(gallery: Gallery, ready: Callable[[], None], stopping: Callable[[], bool]) -> None:
    for prepare in (gallery.warm, lambda: site_card.warm(gallery.library)):
        try:
            prepare()
        except Exception:  # noqa: BLE001 what was not made ready is made when it is asked for
            if not stopping():
                _log.exception("making ready failed")
    ready()
    if not stopping():
        gallery.shade_ahead()


def serve(
    stores: Sequence[Path],
    port: int = 5006,
    address: str = "127.0.0.1",
    open_browser: bool = True,
    say: Callable[[str], None] | None = None,
) -> None:
    """Open stores and serve the viewer until it is stopped.

    Parameters
    ----------
    stores
        Paths of the stores.
    port
        0 takes a free one.
    address
        Where it listens; this machine alone unless told otherwise.
    open_browser
        Whether a browser window is opened.
    say
        Told, in one line, where the page is and how to stop.

    Raises
    ------
    SplendensError
        If a path is no store that can be read.
    """
    server = make_server(Library.open(stores), port, address, open_browser)
    server.start()
    if say is not None:
        host = f"[{address}]" if ":" in address else address
        say(f"splendens serves at http://{host}:{server.port}/  (Ctrl+C stops it)")
    server.io_loop.start()  # until Ctrl+C, which Panel turns into the loop's end
    server.stop()
    if say is not None:
        say("stopped")


def _free_port(address: str) -> int:
    with socket(AF_INET6 if ":" in address else AF_INET, SOCK_STREAM) as probe:
        probe.bind((address, 0))
        return int(probe.getsockname()[1])


def _origins(address: str, port: int) -> list[str]:
    hosts = {address, "localhost", "127.0.0.1"} if address in ("127.0.0.1", "::1") else {address}
    return sorted(f"{host}:{port}" for host in hosts)
