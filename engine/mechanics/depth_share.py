"""Only the first part of each indentation is fitted: curves that end where a share is reached."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ._batch import COLUMN
from .given_contact import table_law
from .prepare import Curves, run_fit
from .settings import MechanicsSettings
from .tables import LawTable

Floats = NDArray[np.float64]


def check_share(depth_share: float) -> None:
    """Refuse a share that cannot be.

    Raises
    ------
    ValueError
        If it does not lie in (0, 1].
    """
    if not 0 < depth_share <= 1:
        raise ValueError(f"depth_share must lie in (0, 1], got {depth_share}")


def cut_to_share(
    todo: Curves, table: LawTable, share: float, settings: MechanicsSettings, threads: int
) -> tuple[Curves, Floats]:
    """End every curve where the fit of the whole of it passes a share of its largest depth.

    Parameters
    ----------
    todo
        The curves.
    table
        The contact law.
    share
        Of each curve's own largest depth, (0, 1].
    settings, threads
        As for `fit_curves`.

    Returns
    -------
    curves
        The same with fewer samples; those in which no contact is seen stay whole.
    force
        Largest deflection of the fit of the whole curve (n,), scaled.
    """
    quick = settings.model_copy(update={"free_exponent": False})
    raw = run_fit(todo, table, quick, threads)
    x = {name: raw[:, i] for name, i in COLUMN.items()}
    with np.errstate(invalid="ignore"):
        seen = (x["converged"] == 1.0) & (x["force"] >= settings.no_contact_sigma * x["sigma"])
        depth = share * np.where(seen, x["depth"], 0.0)
        q, _ = table_law(np.sqrt(depth), table)
        end = x["contact"] + depth * (1.0 + np.exp(x["log_alpha"]) * q) * table.scale_nm
        beyond = todo.z > np.where(seen, end, np.inf)[:, None] + 1e-9 * table.scale_nm
    shorter = np.where(beyond.any(axis=1), np.argmax(beyond, axis=1), todo.d.shape[1])
    return replace(todo, counts=np.minimum(todo.counts, shorter)), x["force"]
