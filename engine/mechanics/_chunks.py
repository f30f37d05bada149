"""Rows of a map's curves cut out and put back, so that large maps are fitted in pieces."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import fields, replace
from typing import Any

import numpy as np

from .results import CurveFits


def rows_of(inputs: tuple[Any, ...], rows: slice) -> tuple[Any, ...]:
    """Cut rows out of what has them; a drive that all curves share stays whole."""
    z, d, back_z, back_d, valid = inputs
    return (
        z if np.ndim(z) == 1 else z[rows],
        d[rows],
        back_z if back_z is None or np.ndim(back_z) == 1 else back_z[rows],
        None if back_d is None else back_d[rows],
        None if valid is None else np.asarray(valid)[rows],
    )


def check_rows(inputs: tuple[Any, ...], count: int) -> None:
    """Refuse inputs of another number of curves before any chunk is fitted."""
    z, _, back_z, back_d, valid = inputs
    if (back_z is None) != (back_d is None):
        raise ValueError("retract_z_nm and retract_deflection_nm must be given together")
    named = (("approach z", z), ("retract z", back_z), ("retract deflection", back_d))
    for name, value in named:
        if value is not None and np.ndim(value) == 2 and np.shape(value)[0] != count:
            raise ValueError(f"{name} must have {count} curves, got {np.shape(value)[0]}")
    if valid is not None and np.shape(valid) != (count,):
        raise ValueError(f"valid must be ({count},), got {np.shape(valid)}")


def put_rows(whole: CurveFits | None, part: CurveFits, rows: slice, count: int) -> CurveFits:
    """Put a chunk's arrays in their place among those of the whole map."""
    names = [f.name for f in fields(part) if isinstance(getattr(part, f.name), np.ndarray)]
    if whole is None:
        empty: dict[str, Any] = {name: np.empty(count, getattr(part, name).dtype) for name in names}
        whole = replace(part, **empty)
    for name in names:
        getattr(whole, name)[rows] = getattr(part, name)
    return whole


def in_threads(
    work: Callable[[slice], CurveFits],
    chunks: Sequence[slice],
    threads: int,
    ask: Callable[[], None],
) -> Iterator[tuple[slice, CurveFits]]:
    """Work on chunks, so many at a time, and give each with its result in their order.

    Parameters
    ----------
    work
        What is done with a chunk.
    chunks
        All chunks.
    threads
        How many are worked on at a time.
    ask
        Called before each is begun; may raise to end it all.
    """
    if threads <= 1:
        for rows in chunks:
            ask()
            yield rows, work(rows)
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[tuple[slice, Future[CurveFits]]] = deque()
        for rows in chunks:
            ask()
            waiting.append((rows, pool.submit(work, rows)))
            if len(waiting) > threads:
                first, future = waiting.popleft()
                yield first, future.result()
        for first, future in waiting:
            yield first, future.result()
