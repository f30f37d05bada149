"""How much flatter a slope comes out because the quantity along x is unsure.

Classical errors in variables: with x = truth + error the least-squares slope is the true one times
the reliability of x, the share of its variance that is not error (Spearman 1904, Am J Psychol
15:72; Fuller 1987, Measurement Error Models, section 1.1).
"""

import numpy as np
import numpy.typing as npt


def reliability(x: npt.ArrayLike, error_sd: npt.ArrayLike) -> float:
    """Share of the variance along x that is not error, 0 to 1.

    Parameters
    ----------
    x
        Values, shape (n,).
    error_sd
        Standard deviation of the error of each, shape (n,); those that are not known are left out.

    Returns
    -------
    float
        NaN with fewer than three values whose error is known, or without any spread.

    Raises
    ------
    ValueError
        If lengths differ.

    Examples
    --------
    >>> round(reliability([0.0, 1.0, 2.0, 3.0], [0.5, 0.5, 0.5, 0.5]), 2)
    0.85
    """
    values, sd = np.asarray(x, dtype=np.float64), np.asarray(error_sd, dtype=np.float64)
    if values.shape != sd.shape or values.ndim != 1:
        raise ValueError(f"x and error_sd must be (n,) alike, got {values.shape} and {sd.shape}")
    known = np.isfinite(values) & np.isfinite(sd)
    if known.sum() < 3:
        return float("nan")
    spread = float(np.var(values[known], ddof=1))
    if spread <= 0:
        return float("nan")
    return float(np.clip(1.0 - np.mean(sd[known] ** 2) / spread, 0.0, 1.0))
