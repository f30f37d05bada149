"""HTTP beside the page: pictures, readiness, our own assets, and the headers of every answer."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from importlib.resources import files
from math import isfinite
from typing import Any

from tornado.ioloop import IOLoop
from tornado.web import HTTPError, OutputTransform, RequestHandler

from engine.view import Box, encode_layers, encode_png
from viewer.gallery import Gallery
from viewer.look import read_look
from viewer.readout import read_out
from viewer.state import MAX_UM_PER_PX, MIN_UM_PER_PX

LARGEST_SIDE_PX = 4096
SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
        "connect-src 'self'{sockets}; worker-src 'self' blob:; object-src 'none'; "
        "base-uri 'self'; form-action 'self'; frame-ancestors 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
}
ASSETS = {
    "plane.js": "text/javascript",
    "chrome.js": "text/javascript",
    "panels.js": "text/javascript",
    "readout.js": "text/javascript",
    "page.css": "text/css",
    "pair.css": "text/css",
}


def asset(name: str) -> str:
    """Return one of the page's own files as text.

    Raises
    ------
    ValueError
        If there is no such file.
    """
    if name not in ASSETS and name not in ("page.html", "pair.html"):
        raise ValueError(f"asset must be one of {', '.join(ASSETS)}, got {name!r}")
    return (files("viewer") / "assets" / name).read_text(encoding="utf-8")


def asset_version() -> str:
    """Return a short text that changes whenever one of the page's own files does."""
    digest = sha256("".join(asset(name) for name in ASSETS).encode())
    return digest.hexdigest()[:12]


class PictureHandler(RequestHandler):
    """Draws the box that the query names.

    The query holds ``d x y s w h``, a look (`viewer.look`), ``v`` (the runs that are shown, as
    `Library.runs` writes them; the current ones if it is missing), and ``form=png`` for one image.
    """

    def initialize(self, gallery: Gallery, workers: ThreadPoolExecutor) -> None:
        """Take what all requests share."""
        self.gallery = gallery
        self.workers = workers

    async def get(self) -> None:
        """Answer with a picture."""
        disc = self.get_query_argument("d")
        if disc not in self.gallery.library.discs:
            raise HTTPError(404, "no such disc")
        box = self._box()
        look = read_look(self.get_query_argument, self._colour(disc))
        png = self.get_query_argument("form", "") == "png"
        runs = self.get_query_argument("v", None)

        def draw() -> bytes:
            picture = self.gallery.pinned(runs).draw(disc, box, look)
            return encode_png(picture) if png else encode_layers(picture)

        body = await IOLoop.current().run_in_executor(self.workers, draw)
        self.set_header("Content-Type", "image/png" if png else "application/octet-stream")
        # the query names the run, so what it names never changes
        self.set_header("Cache-Control", "private, max-age=3600")
        self.finish(body)

    def _box(self) -> Box:
        try:
            x, y, s = (float(self.get_query_argument(key)) for key in "xys")
            w, h = (int(self.get_query_argument(key)) for key in "wh")
        except ValueError as error:
            raise HTTPError(400, "x, y, s must be numbers and w, h whole ones") from error
        sides = min(w, h) >= 1 and max(w, h) <= LARGEST_SIDE_PX
        if not sides or not MIN_UM_PER_PX / 4 <= s <= MAX_UM_PER_PX * 4:
            raise HTTPError(400, f"a picture has 1 to {LARGEST_SIDE_PX} pixels a side")
        try:
            return Box(x, y, s, w, h)
        except ValueError as error:
            raise HTTPError(400, str(error)) from error

    def _colour(self, disc: str) -> str:
        colour = self.get_query_argument("c", "sites.pattern")
        table, _, name = colour.partition(".")
        if table not in ("sites", "cells"):
            raise HTTPError(400, "c must be table.quantity")
        known = {"pattern", *self.gallery.library.quantities(disc, table)}
        return colour if name in known else "sites.pattern"


class ValueHandler(PictureHandler):
    """Says what lies at a place; the query is that of a picture, without its size."""

    async def get(self) -> None:
        """Answer with a text, empty where there is nothing to say."""
        disc = self.get_query_argument("d")
        if disc not in self.gallery.library.discs:
            raise HTTPError(404, "no such disc")
        x, y, s = self._place()
        look = read_look(self.get_query_argument, self._colour(disc))
        gallery = self.gallery.pinned(self.get_query_argument("v", None))
        text = await IOLoop.current().run_in_executor(
            self.workers, lambda: read_out(gallery, disc, look, x, y, s)
        )
        self.set_header("Cache-Control", "private, max-age=3600")
        self.finish({"text": text})

    def _place(self) -> tuple[float, float, float]:
        try:
            x, y, s = (float(self.get_query_argument(key)) for key in "xys")
        except ValueError as error:
            raise HTTPError(400, "x, y and s must be numbers") from error
        if not all(isfinite(v) for v in (x, y, s)) or s <= 0:
            raise HTTPError(400, "a finite place and a positive scale are required")
        return x, y, s


class ReadyHandler(RequestHandler):
    """Says whether everything is compiled and open: 200 when it is, else 503."""

    def initialize(self, ready: Callable[[], bool]) -> None:
        """Take what tells it."""
        self.ready = ready

    def get(self) -> None:
        """Answer."""
        ok = self.ready()
        self.set_status(200 if ok else 503)
        self.set_header("Cache-Control", "no-store")
        self.finish({"ready": ok})


class AssetHandler(RequestHandler):
    """The page's own script and style sheets."""

    def get(self, name: str) -> None:
        """Answer with one of them."""
        if name not in ASSETS:
            raise HTTPError(404)
        self.set_header("Content-Type", f"{ASSETS[name]}; charset=utf-8")
        self.set_header("Cache-Control", "private, max-age=3600")
        self.finish(asset(name))


def routes(gallery: Gallery, ready: Callable[[], bool]) -> list[tuple[Any, ...]]:
    """Return the routes that stand beside the page."""
    workers = ThreadPoolExecutor(max_workers=2, thread_name_prefix="picture")
    readers = ThreadPoolExecutor(max_workers=1, thread_name_prefix="value")
    return [
        (r"/picture", PictureHandler, {"gallery": gallery, "workers": workers}),
        (r"/value", ValueHandler, {"gallery": gallery, "workers": readers}),
        (r"/ready", ReadyHandler, {"ready": ready}),
        (r"/assets/([a-z.]+)", AssetHandler),
    ]


def headers_for(origins: list[str]) -> type[OutputTransform]:
    """Return a transform that puts the security headers on every answer.

    Parameters
    ----------
    origins
        Hosts that may open the page's socket, as ``host:port``.
    """
    sockets = "".join(f" ws://{origin} wss://{origin}" for origin in origins)
    fixed = {key: value.format(sockets=sockets) for key, value in SECURITY_HEADERS.items()}

    class SecurityHeaders(OutputTransform):
        def transform_first_chunk(
            self, status_code: int, headers: Any, chunk: bytes, finishing: bool
        ) -> tuple[int, Any, bytes]:
            del finishing
            for key, value in fixed.items():
                headers[key] = value
            headers.pop("Server", None)
            return status_code, headers, chunk

    return SecurityHeaders
