"""How the planned pieces of an analysis are run: here or in other processes, told of, stopped."""

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import Empty
from typing import Any

from engine.errors import Cancelled
from engine.mechanics import warm_up
from engine.settings import Settings
from engine.tasks import Tell, run_task

LISTEN_EVERY_S = 0.2

Ask = Callable[[], bool]
"""Whether the analysis shall end."""


@dataclass(frozen=True)
class Piece:
    """One planned piece.

    Attributes
    ----------
    kind, sites
        What `engine.tasks.run_task` is to do.
    weight
        Roughly how long it takes, in any one unit.
    threads
        Threads it may use.
    run
        Folder of the run that is being written, for what is too large to hand back.
    """

    kind: str
    sites: tuple[str, ...]
    weight: float
    threads: int = 1
    run: Path | None = None

    @property
    def title(self) -> str:
        """What it is called while it runs."""
        return f"{self.kind} {self.sites[0]}" if self.sites else self.kind


def run_pieces(
    path: Path,
    settings: Settings,
    pieces: Sequence[Piece],
    workers: int,
    tell: Callable[[str, float], None],
    cancelled: Ask,
) -> Iterator[tuple[Piece, Any]]:
    """Run pieces and give each with its result as it is done.

    Parameters
    ----------
    path, settings
        The store's folder and all settings.
    pieces
        What is to be done, the longest first.
    workers
        Processes to work with; 1 works in this one.
    tell
        Told a piece's title and the share of all work that is done.
    cancelled
        Asked several times a second, or between pieces and chunks when working in this process.

    Raises
    ------
    Cancelled
        If ``cancelled`` said so.
    """
    progress = _Progress(pieces, tell)
    if workers == 1 or len(pieces) < 2:
        for number, piece in enumerate(pieces):
            _ask(cancelled)
            result = _run(path, settings, piece, progress.teller(number), cancelled)
            progress.hear(number, 1.0)
            yield piece, result
        return
    yield from _in_processes(path, settings, pieces, workers, progress, cancelled)


class _Progress:
    """Share of all work that is done, from the shares of the pieces."""

    def __init__(self, pieces: Sequence[Piece], tell: Callable[[str, float], None]) -> None:
        self._pieces, self._tell = pieces, tell
        self._done = [0.0] * len(pieces)
        self._total = sum(p.weight for p in pieces) or 1.0

    def hear(self, number: int, share: float) -> None:
        self._done[number] = max(share, self._done[number])
        weighted = (p.weight * s for p, s in zip(self._pieces, self._done, strict=True))
        self._tell(self._pieces[number].title, sum(weighted) / self._total)

    def teller(self, number: int) -> Tell:
        return lambda share: self.hear(number, share)


def _ask(cancelled: Ask) -> None:
    if cancelled():
        raise Cancelled("the analysis was cancelled; the store is as it was")


def _run(path: Path, settings: Settings, piece: Piece, tell: Tell, cancelled: Ask) -> Any:
    return run_task(
        path,
        piece.kind,
        piece.sites,
        settings,
        threads=piece.threads,
        tell=tell,
        cancelled=cancelled,
        run=piece.run,
    )


def _in_processes(
    path: Path,
    settings: Settings,
    pieces: Sequence[Piece],
    workers: int,
    progress: _Progress,
    cancelled: Ask,
) -> Iterator[tuple[Piece, Any]]:
    with _one_thread_each():
        # spawn, never fork: a forked child of a process with threads can hang
        context = multiprocessing.get_context("spawn")
        said, stop = context.Queue(), context.Event()
        with ProcessPoolExecutor(
            min(workers, len(pieces)),
            mp_context=context,
            initializer=_begin,
            initargs=(said, stop),
        ) as pool:
            waiting: dict[Future[Any], int] = {
                pool.submit(_run_there, path, settings, piece, number): number
                for number, piece in enumerate(pieces)
            }
            try:
                if any(piece.kind == "curves" for piece in pieces):
                    warm_up()  # compiled once here, not once in every worker
                while waiting:
                    _ask(cancelled)
                    finished, _ = wait(waiting, LISTEN_EVERY_S, FIRST_COMPLETED)
                    _listen(said, progress)
                    for future in finished:
                        number = waiting.pop(future)
                        progress.hear(number, 1.0)
                        yield pieces[number], future.result()
            except BaseException:
                stop.set()
                pool.shutdown(wait=False, cancel_futures=True)
                raise


def _listen(said: Any, progress: _Progress) -> None:
    while True:
        try:
            number, share = said.get_nowait()
        except Empty:
            return
        progress.hear(number, share)


_line: tuple[Any, Any] | None = None
"""In a worker: where it tells how far it is, and what tells it to stop."""


def _begin(said: Any, stop: Any) -> None:
    global _line  # noqa: PLW0603 a worker's own; the pool's initializer has no other place for it
    said.cancel_join_thread()
    _line = said, stop


def _run_there(path: Path, settings: Settings, piece: Piece, number: int) -> Any:
    assert _line is not None
    said, stop = _line
    return _run(path, settings, piece, lambda share: said.put((number, share)), stop.is_set)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let workers of their own start with one thread for linear algebra each."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
