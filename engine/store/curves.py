"""Force curves of one site as they lie in a store: read whole, one by one, or by rows."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

_LENGTH_IN_NM = {"m": 1e9, "um": 1e3, "nm": 1.0}


@dataclass(frozen=True)
class StoredCurves:
    """Force curves of one site, in nanometres as the kernels take them.

    Attributes
    ----------
    rows, cols
        Shape of the map; curve ``i`` is row ``i // cols``, column ``i % cols``.
    valid
        (rows * cols,) whether a curve was taken there.
    has_retract
        Whether the retract branch was recorded.
    """

    rows: int
    cols: int
    valid: npt.NDArray[np.bool_]
    has_retract: bool
    _group: Any
    _nm_per_deflection: Callable[[str], float]

    def approach(
        self, index: Any = None
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Drive position and deflection of the approach.

        Parameters
        ----------
        index
            A curve's number, a slice, growing numbers (k,), or None for all.

        Returns
        -------
        z_nm, deflection_nm : ndarray
            (samples,) for one curve; else (curves, samples), or (samples,) for a shared z.
        """
        return self._segment("approach", index)

    def retract(
        self, index: Any = None
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]] | None:
        """Drive position and deflection of the retract branch; None where there is none."""
        return self._segment("retract", index) if self.has_retract else None

    def rows_of(self, segment: str) -> tuple["CurveRows", "CurveRows"]:
        """Drive position and deflection of ``approach`` or ``retract``, nm, read by rows."""
        z, deflection = self._group[segment]["z"], self._group[segment]["deflection"]
        nm = _LENGTH_IN_NM[z.attrs["unit"]]
        factor = self._nm_per_deflection(deflection.attrs["unit"])
        return CurveRows(z, nm), CurveRows(deflection, factor)

    def _segment(
        self, name: str, index: Any
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        chosen = slice(None) if index is None else index
        z, deflection = self._group[name]["z"], self._group[name]["deflection"]
        z_nm = z[0] if z.attrs["shared"] else z[chosen]
        z_nm = _physical(z_nm, z.attrs) * _LENGTH_IN_NM[z.attrs["unit"]]
        factor = self._nm_per_deflection(deflection.attrs["unit"])
        return z_nm, _physical(deflection[chosen], deflection.attrs) * factor


class CurveRows:
    """Samples of a site's curves in nanometres, of which only the rows asked for are read.

    Attributes
    ----------
    shape
        (curves, samples), or (samples,) for a drive that all curves share.
    ndim
        Its length.
    """

    def __init__(self, array: Any, factor: float) -> None:
        self._array, self._factor = array, factor
        self.shape: tuple[int, ...] = array.shape[1:] if array.attrs["shared"] else array.shape
        self.ndim = len(self.shape)

    def __getitem__(self, rows: Any) -> npt.NDArray[np.float64]:
        """Read rows (or samples, of a shared drive)."""
        picked = (0, rows) if self.ndim == 1 else rows
        return _physical(self._array[picked], self._array.attrs) * self._factor

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> npt.NDArray[Any]:
        """Read all of it."""
        del copy  # what is read is always new
        return self[:] if dtype is None else self[:].astype(dtype, copy=False)


def _physical(stored: npt.NDArray[Any], attributes: Any) -> npt.NDArray[np.float64]:
    value: npt.NDArray[np.float64] = stored.astype(np.float64)
    return value * float(attributes["scale"]) + float(attributes["offset"])
