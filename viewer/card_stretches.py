"""The chains fitted to stretches of one way back, as lines for the curve's figure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from engine.mechanics import Stretch, separation_and_force, stretch_model
from viewer.card_curve_facts import CurveFacts

Floats = NDArray[np.float64]
POINTS = 60
SHOWN: Literal["worm_like"] = "worm_like"
"""The chain that is drawn; the other lies on it to the eye."""


@dataclass(frozen=True)
class ChainLine:
    """One fitted chain along its stretch.

    Attributes
    ----------
    drive_um, deflection_nm
        Against the drive past contact.
    indentation_nm, force_nN
        As force against indentation.
    """

    drive_um: Floats
    deflection_nm: Floats
    indentation_nm: Floats
    force_nN: Floats


def chain_lines(facts: CurveFacts, stretches: Sequence[Mapping[str, Any]]) -> tuple[ChainLine, ...]:
    """Give the fitted chains of one curve.

    Parameters
    ----------
    facts
        The curve.
    stretches
        Its rows of the table ``stretches``.
    """
    shown = [s for s in stretches if s["chain"] == SHOWN and np.isfinite(float(s["contour_nm"]))]
    if not shown or not np.isfinite(facts.contact_z_nm):
        return ()
    fit = facts.explained.fit
    x, _, level = separation_and_force(facts.retract_z_nm, facts.retract_deflection_nm, fit, 0)
    lines = (_line(facts, _stretch(row), x, level) for row in shown)
    return tuple(line for line in lines if line is not None)


def _stretch(row: Mapping[str, Any]) -> Stretch:
    nan = float("nan")
    return Stretch(
        SHOWN, int(row["first"]), int(row["last"]), float(row["rupture_nN"]),
        float(row["rupture_nm"]), float(row["contour_nm"]), nan, nan,
        float(row["persistence_nm"]), nan, nan, float(row["rmse_nN"]),
    )  # fmt: skip


def _line(facts: CurveFacts, stretch: Stretch, x: Floats, level_nm: float) -> ChainLine | None:
    part = x[stretch.first : stretch.last]
    part = part[np.isfinite(part) & (part > 0)]
    if len(part) < 2:
        return None
    fit, start = facts.explained.fit, facts.contact_z_nm
    separation = np.linspace(part.min(), part.max(), POINTS)
    force = stretch_model(stretch, separation)
    push = force / fit.spring_constant_N_per_m
    z = start + push - separation
    line = fit.baseline_offset_nm[0] + fit.baseline_slope[0] * z
    return ChainLine(
        drive_um=(z - start) / 1e3,
        deflection_nm=line + level_nm + push,
        indentation_nm=-separation - level_nm,
        force_nN=force + level_nm * fit.spring_constant_N_per_m,
    )
