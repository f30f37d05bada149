"""Curves as handed over, checked and cut into blocks for the compiled fit."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ._batch import COLUMNS, fit_block
from ._retract import RETRACT_COLUMNS, retract_block
from .noise import band_kernels
from .settings import MechanicsSettings
from .tables import LawTable

Floats = NDArray[np.float64]
BLOCK_CURVES = 256


@dataclass(frozen=True)
class Curves:
    """One direction of a map.

    Attributes
    ----------
    z
        Drive position, (n, s) or (1, s), nm.
    d
        Deflection, (n, s), nm.
    counts
        Samples before the first that is missing, (n,).
    gap
        Whether samples follow the first that is missing, (n,).
    """

    z: NDArray[np.floating]
    d: NDArray[np.floating]
    counts: NDArray[np.int64]
    gap: NDArray[np.bool_]

    def block(self, rows: slice) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """Cut out curves in double precision, so that one compiled kernel serves all inputs."""
        z = self.z if self.z.shape[0] == 1 else self.z[rows]
        return (
            np.ascontiguousarray(z, np.float64),
            np.ascontiguousarray(self.d[rows], np.float64),
            self.counts[rows],
        )

    def ends(self) -> tuple[Floats, Floats]:
        """First and last drive position of each curve, nm."""
        rows = np.arange(len(self.d)) if self.z.shape[0] > 1 else np.zeros(len(self.d), int)
        last = np.maximum(self.counts - 1, 0)
        return self.z[rows, 0].astype(float), self.z[rows, last].astype(float)

    def rise(self) -> Floats:
        """Range of the deflection of each curve, nm; NaN for a curve without samples."""
        with np.errstate(invalid="ignore"):
            high, low = (f.reduce(self.d, axis=1) for f in (np.fmax, np.fmin))
            return np.asarray(high - low, float)

    def final_rise(self) -> tuple[Floats, Floats]:
        """Change of drive and of deflection over the last sixteenth of each curve, nm."""
        rows = np.arange(len(self.d))
        z_rows = rows if self.z.shape[0] > 1 else np.zeros(len(self.d), int)
        last = np.maximum(self.counts - 1, 0)
        before = np.maximum(last - np.maximum(last // 16, 1), 0)
        return (
            (self.z[z_rows, last] - self.z[z_rows, before]).astype(float),
            (self.d[rows, last] - self.d[rows, before]).astype(float),
        )


def prepare_curves(z_nm: ArrayLike, deflection_nm: ArrayLike, what: str) -> Curves:
    """Check shapes and count samples.

    Parameters
    ----------
    z_nm
        (n, s) or (s,), nm.
    deflection_nm
        (n, s), nm; a NaN tail is a shorter curve.
    what
        "approach" or "retract", for the error's text.

    Returns
    -------
    Curves

    Raises
    ------
    ValueError
        If the shapes do not agree.
    """
    d = np.asarray(deflection_nm)
    z = np.asarray(z_nm)
    if d.ndim != 2 or d.shape[1] == 0:
        raise ValueError(f"{what} deflection must be (curves, samples), got shape {d.shape}")
    z = z[None, :] if z.ndim == 1 else z
    if z.shape not in ((1, d.shape[1]), d.shape):
        raise ValueError(
            f"{what} z must be ({d.shape[1]},) or {d.shape} like its deflection, got {z.shape}"
        )
    d = d if d.dtype.kind == "f" else d.astype(float)
    z = z if z.dtype.kind == "f" else z.astype(float)
    there = np.isfinite(d) & np.isfinite(z)
    counts = np.where(there.all(axis=1), d.shape[1], np.argmin(there, axis=1)).astype(np.int64)
    return Curves(z, d, counts, there.sum(axis=1) > counts)


def _in_blocks(count: int, work: Callable[[slice], None], threads: int) -> None:
    blocks = [slice(i, min(i + BLOCK_CURVES, count)) for i in range(0, count, BLOCK_CURVES)]
    if threads <= 1 or len(blocks) < 2:
        for block in blocks:
            work(block)
        return
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, blocks))


def run_fit(curves: Curves, table: LawTable, settings: MechanicsSettings, threads: int) -> Floats:
    """Fit every curve; returns the kernel's `COLUMNS`, (n, columns)."""
    out = np.full((len(curves.d), len(COLUMNS)), np.nan)
    kernels = band_kernels()

    def work(rows: slice) -> None:
        z, d, counts = curves.block(rows)
        fit_block(
            z,
            d,
            counts,
            table.exponent,
            table.coefficients,
            table.scale_nm,
            kernels,
            settings.fit_steps_max,
            settings.free_exponent,
            out[rows],
        )

    _in_blocks(len(curves.d), work, threads)
    return out


def run_retract(
    ahead: Curves, back: Curves, fit: dict[str, Floats], scale_nm: float, threads: int
) -> Floats:
    """Read pull-off, works and whether there was a baseline; see `retract_block`, (n, 7)."""
    out = np.full((len(ahead.d), RETRACT_COLUMNS), np.nan)
    force = fit["force"] * scale_nm

    def work(rows: slice) -> None:
        z, d, counts = ahead.block(rows)
        zr, dr, counts_back = back.block(rows)
        retract_block(
            z,
            d,
            zr,
            dr,
            counts,
            counts_back,
            np.ascontiguousarray(fit["offset"][rows]),
            np.ascontiguousarray(fit["slope"][rows]),
            np.ascontiguousarray(fit["contact"][rows]),
            np.ascontiguousarray(force[rows]),
            out[rows],
        )

    _in_blocks(len(ahead.d), work, threads)
    return out
