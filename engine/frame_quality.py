"""How good a frame is: flags, leave-one-out error, and the error to expect at a place.

A similarity in the plane is one complex line, w = a z + b; with landmark errors that are normal and
alike in all directions the error at a place is a circular normal one with the variance of the
linear model's prediction. Its radius over the expected one is then distributed as the root of F
with 2 and 2 n - 4 degrees of freedom (2 n - 6 for the affine map, whose two coordinates are fitted
apart with one variance); Hotelling's T-squared in two dimensions, in closed form because the first
count of freedom is two.
"""

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, Field

from engine.flags import Flag

Floats = NDArray[np.float64]
Method = Literal["identity", "similarity", "affine"]
Fit = Callable[[Floats, Floats], tuple[Floats, Floats]]
"""From landmarks in stage and disc to matrix and offset."""

FEW, NEAR_COLLINEAR, OUTLIER = "few_landmarks", "landmarks_near_collinear", "landmark_outlier"
EXTRAPOLATED, MIRROR_OPEN, CLOSE = "frame_extrapolated", "mirror_uncertain", "landmarks_close"
FLAGS: tuple[Flag, ...] = (
    Flag(FEW, "Fewer than four landmarks: a small residual proves nothing about the frame."),
    Flag(NEAR_COLLINEAR, "The landmarks lie nearly on one line: across it the frame is weak."),
    Flag(OUTLIER, "One landmark is off by more than three times the median of all."),
    Flag(EXTRAPOLATED, "The point lies outside the landmarks: its position is less certain there."),
    Flag(MIRROR_OPEN, "The landmarks fit almost as well with the other handedness."),
    Flag(CLOSE, "Two landmarks lie so close together that they count for little more than one."),
)

_GOLDEN_TURN = np.pi * (3.0 - np.sqrt(5.0))


class FrameSettings(BaseModel):
    """How the stage is tied to the disc."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    method: Literal["auto", "similarity", "affine"] = Field(
        default="similarity",
        description="similarity: turn, one scale, mirror; affine: also shear and two scales; "
        "auto: affine from affine_from_landmarks landmarks on, else similarity.",
    )
    affine_from_landmarks: int = Field(
        default=8,
        ge=4,
        le=1000,
        description="Number of landmarks from which auto takes the affine map.",
    )
    few_below_landmarks: int = Field(
        default=4, ge=3, le=100, description="With fewer landmarks than this the frame is flagged."
    )
    near_collinear_ratio: float = Field(
        default=0.1,
        gt=0,
        le=1,
        description="Flag when the landmarks' spread across their line is less than this share "
        "of their spread along it.",
    )
    outlier_factor: float = Field(
        default=3.0,
        gt=1,
        le=100,
        description="Flag a landmark off by more than this times the median.",
    )
    outlier_floor_um: float = Field(
        default=1.0,
        ge=0,
        le=1e4,
        description="A landmark off by less than this is no outlier, however good the others are.",
    )
    close_share: float = Field(
        default=0.05,
        ge=0,
        lt=1,
        description="Flag two landmarks nearer to each other than this share of the largest "
        "distance between any two (a convention, no source); no unit.",
    )


def freedom(landmarks: int, method: Method) -> int:
    """Degrees of freedom left for the landmarks' error; 0 where it can't be judged."""
    taken = {"identity": 2 * landmarks, "similarity": 4, "affine": 6}[method]
    return max(2 * landmarks - taken, 0)


def radius_factor(share: ArrayLike, degrees: int) -> Floats:
    """Radius that holds a share of the error at a place, over its root mean square as estimated.

    Parameters
    ----------
    share
        0 to below 1.
    degrees
        Degrees of freedom of the estimate, > 0.

    Examples
    --------
    With many landmarks it is the circular normal's: the root of ln 20 for 95 %.

    >>> float(radius_factor(0.95, 10**9).round(3))
    1.731
    """
    q = np.asarray(share, dtype=np.float64)
    # quantile of F(2, d): (d / 2) ((1 - q)^(-2 / d) - 1)
    return np.asarray(np.sqrt(degrees / 2 * np.expm1(-2.0 / degrees * np.log1p(-q))))


def error_spiral(count: int, degrees: int) -> Floats:
    """Even sample of the error at a place, (count, 2), in units of its root mean square.

    Radii at the middles of equal shares of the distribution, turned on by the golden angle: the
    same points every time, without any chance.
    """
    radius = radius_factor((np.arange(count) + 0.5) / max(count, 1), degrees)
    turn = _GOLDEN_TURN * np.arange(count)
    return radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])


def spread_ratio(xy_um: ArrayLike) -> float:
    """Spread of points across their best line over the spread along it: 0 on a line, at most 1."""
    points = np.asarray(xy_um, float)
    along, across = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[:2]
    return float(across / along) if along > 0 else 0.0


def leave_one_out(stage: Floats, disc: Floats, needed: int, fit: Fit) -> Floats:
    """Error of each landmark in a frame fitted to the others, (n,); NaN where that can't be had."""
    n = len(stage)
    error = np.full(n, np.nan)
    if n <= needed:
        return error
    for i in range(n):
        keep = np.arange(n) != i
        if spread_ratio(stage[keep]) < 1e-9 or spread_ratio(disc[keep]) < 1e-9:
            continue
        matrix, offset = fit(stage[keep], disc[keep])
        error[i] = np.linalg.norm(matrix @ stage[i] + offset - disc[i])
    return error


def frame_flags(
    stage: Floats, residual: Floats, left_out: Floats, other_hand_um: float, s: FrameSettings
) -> tuple[str, ...]:
    """Names of the flags that hold for a frame as a whole.

    Parameters
    ----------
    stage
        Landmarks, (n, 2).
    residual, left_out
        Their errors in the fit and left out of it, (n,).
    other_hand_um
        Root mean square residual of the best fit of the other handedness.
    s
        Limits.
    """
    # the residual of an outlier is shared out over all; its left-out error is not
    error = np.where(np.isfinite(left_out), left_out, residual)
    held = {
        FEW: len(stage) < s.few_below_landmarks,
        NEAR_COLLINEAR: spread_ratio(stage) < s.near_collinear_ratio,
        OUTLIER: len(stage) >= 4
        and bool(error.max() > s.outlier_factor * np.median(error))
        and bool(error.max() > s.outlier_floor_um),
        MIRROR_OPEN: bool(other_hand_um < 3 * np.sqrt(np.mean(residual**2))),
        CLOSE: closest_pair(stage)[2] < s.close_share,
    }
    return tuple(name for name, holds in held.items() if holds)


def closest_pair(points: Floats) -> tuple[int, int, float]:
    """Two points nearest to each other, and their distance over the largest between any two."""
    from scipy.spatial.distance import pdist, squareform

    apart = squareform(pdist(points))
    largest = float(apart.max())
    np.fill_diagonal(apart, np.inf)
    first, second = (int(v) for v in np.unravel_index(np.argmin(apart), apart.shape))
    return first, second, float(apart[first, second]) / largest if largest > 0 else 0.0


def leverage(stage: Floats, points: Floats, method: Method) -> Floats:
    """Variance of the frame at points over that of one landmark's coordinate, (n,)."""
    centre = stage.mean(axis=0)
    a, p = stage - centre, points - centre
    if method == "similarity":
        spread = np.sum(p**2, axis=1) / np.sum(a**2)
    else:
        spread = np.einsum("ij,jk,ik->i", p, np.linalg.inv(a.T @ a), p)
    return np.asarray(1 / len(stage) + spread)


def in_hull(corners: Floats, points: Floats) -> NDArray[np.bool_]:
    """Whether points lie in the convex hull of others, edge included, (n,)."""
    from scipy.spatial import ConvexHull

    equations = ConvexHull(corners).equations
    slack = 1e-9 * float(np.abs(corners - corners.mean(axis=0)).max())
    return np.asarray((points @ equations[:, :2].T + equations[:, 2] <= slack).all(axis=1))
