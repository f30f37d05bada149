"""Stage frame to disc frame: landmarks, the fitted map, and where a site's own axes lie.

Frames
------
disc
    Micrometres; x along the mosaic's columns, y along its rows (downwards in the picture).
stage
    Micrometres; wherever the probe instrument put it; rotated, scaled a little, often mirrored.
site
    A site's own axes; see :mod:`engine.footprint`.

Sources: least-squares similarity by singular value decomposition after Umeyama (1991), IEEE PAMI
13:376, with the reflection left open; expected error away from the landmarks from the covariance
of the linear model, the plane analogue of Fitzpatrick et al. (1998), IEEE TMI 17:694.
"""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, Field

from engine.flags import Flag
from engine.footprint import Footprint

Floats = NDArray[np.float64]
Method = Literal["identity", "similarity", "affine"]

__all__ = [
    "FLAGS",
    "Footprint",
    "Frame",
    "FrameSettings",
    "fit_frame",
    "identity_frame",
    "spread_ratio",
]

FEW, NEAR_COLLINEAR, OUTLIER = "few_landmarks", "landmarks_near_collinear", "landmark_outlier"
EXTRAPOLATED, MIRROR_OPEN = "frame_extrapolated", "mirror_uncertain"
FLAGS: tuple[Flag, ...] = (
    Flag(FEW, "Fewer than four landmarks: a small residual proves nothing about the frame."),
    Flag(NEAR_COLLINEAR, "The landmarks lie nearly on one line: across it the frame is weak."),
    Flag(OUTLIER, "One landmark is off by more than three times the median of all."),
    Flag(EXTRAPOLATED, "The point lies outside the landmarks: its position is less certain there."),
    Flag(MIRROR_OPEN, "The landmarks fit almost as well with the other handedness."),
)


class FrameSettings(BaseModel):
    """How the stage is tied to the disc."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    method: Literal["auto", "similarity", "affine"] = Field(
        default="auto",
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


@dataclass(frozen=True)
class Frame:
    """The map from stage to disc: ``disc = matrix @ stage + offset_um``.

    Attributes
    ----------
    matrix
        (2, 2), dimensionless.
    offset_um
        (2,), micrometres.
    method
        What was fitted.
    names
        Names of the landmarks, n of them.
    stage_um
        Landmarks in the stage frame, (n, 2).
    residual_um
        Distance between each landmark seen in the disc and its mapped stage position, (n,).
    rms_um
        Root mean square of ``residual_um``; NaN for the identity, where nothing was compared.
    leave_one_out_um
        The same distance with the landmark left out of the fit, (n,); NaN where too few remain.
        About twice the true error of the frame: a cautious figure.
    flags
        Names out of :data:`FLAGS` that hold for the frame as a whole.
    """

    matrix: Floats
    offset_um: Floats
    method: Method
    names: tuple[str, ...] = ()
    stage_um: Floats = field(default_factory=lambda: np.empty((0, 2)))
    residual_um: Floats = field(default_factory=lambda: np.empty(0))
    rms_um: float = float("nan")
    leave_one_out_um: Floats = field(default_factory=lambda: np.empty(0))
    flags: tuple[str, ...] = ()

    @property
    def mirrored(self) -> bool:
        """Whether the stage is a mirror image of the disc."""
        return bool(np.linalg.det(self.matrix) < 0)

    @property
    def scale(self) -> float:
        """Disc length over stage length, the geometric mean over directions."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix))))

    def to_disc(self, xy_um: ArrayLike) -> Floats:
        """Disc positions of stage positions, (n, 2) to (n, 2), micrometres."""
        return np.asarray(xy_um, float) @ self.matrix.T + self.offset_um

    def to_stage(self, xy_um: ArrayLike) -> Floats:
        """Stage positions of disc positions, (n, 2) to (n, 2), micrometres."""
        shifted = np.asarray(xy_um, float) - self.offset_um
        return np.asarray(np.linalg.solve(self.matrix, shifted.T).T)

    def direction(self, rotation_deg: float) -> tuple[Floats, Floats]:
        """Images in the disc frame of a site's u and v axes, (2,) each.

        Parameters
        ----------
        rotation_deg
            Turn of u from the stage's +x towards +y, degrees.
        """
        turn = np.radians(rotation_deg)
        u = np.array([np.cos(turn), np.sin(turn)])
        v = np.array([-np.sin(turn), np.cos(turn)])
        return self.matrix @ u, self.matrix @ v

    def footprint(
        self, x_um: float, y_um: float, rotation_deg: float, width_um: float, height_um: float
    ) -> Footprint:
        """Rectangle in the disc frame of a site given by its stage centre, turn and size."""
        u_axis, v_axis = self.direction(rotation_deg)
        centre = self.to_disc([[x_um, y_um]])[0]
        return Footprint(centre, u_axis, v_axis, width_um, height_um)

    def expected_error_um(self, xy_um: ArrayLike) -> Floats:
        """Return the root-mean-square error to expect at stage positions, (n,); NaN if unknown.

        The landmark error is judged from the residuals; with as many parameters as data it
        cannot be, and with the identity there is nothing to judge.
        """
        points = np.asarray(xy_um, float).reshape(-1, 2)
        n = len(self.names)
        freedom = 2 * n - (4 if self.method == "similarity" else 6)
        if self.method == "identity" or freedom <= 0:
            return np.full(len(points), np.nan)
        variance = float(np.sum(self.residual_um**2)) / freedom
        lever = _leverage(self.stage_um, points, self.method)
        return np.asarray(np.sqrt(2 * variance * lever))

    def extrapolates(self, xy_um: ArrayLike) -> NDArray[np.bool_]:
        """Whether stage positions lie outside the landmarks' convex hull, (n,)."""
        points = np.asarray(xy_um, float).reshape(-1, 2)
        if not self.names:
            return np.zeros(len(points), bool)
        return ~_in_hull(self.stage_um, points)


def identity_frame() -> Frame:
    """Make the frame of a folder without landmarks: stage and disc are one."""
    return Frame(np.eye(2), np.zeros(2), "identity")


def spread_ratio(xy_um: ArrayLike) -> float:
    """Spread of points across their best line over the spread along it: 0 on a line, at most 1."""
    points = np.asarray(xy_um, float)
    along, across = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[:2]
    return float(across / along) if along > 0 else 0.0


def fit_frame(
    stage_um: ArrayLike,
    disc_um: ArrayLike,
    names: tuple[str, ...],
    settings: FrameSettings | None = None,
) -> Frame:
    """Fit the map from stage to disc to landmarks seen in both, mirror included.

    Parameters
    ----------
    stage_um, disc_um
        Landmarks in either frame, (n, 2), n >= 3, not on one line.
    names
        Their names, n of them.
    settings
        Method and limits of the flags.

    Raises
    ------
    ValueError
        If shapes differ, a number is not finite, there are fewer than three landmarks, or they
        lie on one line.
    """
    settings = settings or FrameSettings()
    stage, disc = _checked(stage_um, disc_um, names)
    method = _method(len(stage), settings)
    matrix, offset = _fit(stage, disc, method)
    residual = np.linalg.norm(stage @ matrix.T + offset - disc, axis=1)
    left_out = _leave_one_out(stage, disc, method)
    frame = Frame(
        matrix=matrix,
        offset_um=offset,
        method=method,
        names=tuple(names),
        stage_um=stage,
        residual_um=residual,
        rms_um=float(np.sqrt(np.mean(residual**2))),
        leave_one_out_um=left_out,
        flags=_flags(stage, disc, residual, left_out, settings),
    )
    for array in (frame.matrix, frame.offset_um, frame.residual_um, frame.leave_one_out_um, stage):
        array.flags.writeable = False
    return frame


def _checked(
    stage_um: ArrayLike, disc_um: ArrayLike, names: tuple[str, ...]
) -> tuple[Floats, Floats]:
    stage, disc = np.array(stage_um, float), np.array(disc_um, float)
    if stage.shape != disc.shape or stage.ndim != 2 or stage.shape[1:] != (2,):
        raise ValueError(f"landmarks must be (n, 2) twice, got {stage.shape} and {disc.shape}")
    if len(names) != len(stage):
        raise ValueError(f"names must be as many as landmarks, got {len(names)}, {len(stage)}")
    if len(stage) < 3:
        raise ValueError(f"landmarks must be 3 or more, got {len(stage)}")
    if not (np.isfinite(stage).all() and np.isfinite(disc).all()):
        raise ValueError("landmarks must be finite")
    if min(spread_ratio(stage), spread_ratio(disc)) < 1e-9:
        raise ValueError("landmarks must not lie on one line: the mirror would be open")
    return stage, disc


def _method(count: int, settings: FrameSettings) -> Literal["similarity", "affine"]:
    if settings.method != "auto":
        return settings.method
    return "affine" if count >= settings.affine_from_landmarks else "similarity"


def _fit(stage: Floats, disc: Floats, method: Method) -> tuple[Floats, Floats]:
    return _affine(stage, disc) if method == "affine" else _similarity(stage, disc)


def _affine(stage: Floats, disc: Floats) -> tuple[Floats, Floats]:
    centre = stage.mean(axis=0)
    design = np.column_stack([stage - centre, np.ones(len(stage))])
    solution = np.linalg.lstsq(design, disc, rcond=None)[0]
    matrix = solution[:2].T.copy()
    return matrix, solution[2] - matrix @ centre


def _similarity(stage: Floats, disc: Floats, other_hand: bool = False) -> tuple[Floats, Floats]:
    a, b = stage - stage.mean(axis=0), disc - disc.mean(axis=0)
    left, singular, right = np.linalg.svd(b.T @ a)
    # Left free, the decomposition chooses the handedness that fits best; its opposite turns
    # the weaker singular direction round.
    sign = np.array([1.0, -1.0 if other_hand else 1.0])
    scale = float(np.sum(singular * sign) / np.sum(a**2))
    matrix = scale * (left * sign) @ right
    return matrix, disc.mean(axis=0) - matrix @ stage.mean(axis=0)


def _leave_one_out(stage: Floats, disc: Floats, method: Method) -> Floats:
    n = len(stage)
    needed = 4 if method == "affine" else 3
    error = np.full(n, np.nan)
    if n <= needed:
        return error
    for i in range(n):
        keep = np.arange(n) != i
        if spread_ratio(stage[keep]) < 1e-9 or spread_ratio(disc[keep]) < 1e-9:
            continue
        matrix, offset = _fit(stage[keep], disc[keep], method)
        error[i] = np.linalg.norm(matrix @ stage[i] + offset - disc[i])
    return error


def _flags(
    stage: Floats, disc: Floats, residual: Floats, left_out: Floats, settings: FrameSettings
) -> tuple[str, ...]:
    matrix, offset = _similarity(stage, disc, other_hand=True)
    other = np.sqrt(np.mean(np.sum((stage @ matrix.T + offset - disc) ** 2, axis=1)))
    # the residual of an outlier is shared out over all; its left-out error is not
    error = np.where(np.isfinite(left_out), left_out, residual)
    held = {
        FEW: len(stage) < settings.few_below_landmarks,
        NEAR_COLLINEAR: spread_ratio(stage) < settings.near_collinear_ratio,
        OUTLIER: len(stage) >= 4
        and bool(error.max() > settings.outlier_factor * np.median(error))
        and bool(error.max() > 1e-6),
        MIRROR_OPEN: bool(other < 3 * np.sqrt(np.mean(residual**2))),
    }
    return tuple(name for name, holds in held.items() if holds)


def _leverage(stage: Floats, points: Floats, method: Method) -> Floats:
    centre = stage.mean(axis=0)
    a, p = stage - centre, points - centre
    if method == "similarity":
        spread = np.sum(p**2, axis=1) / np.sum(a**2)
    else:
        spread = np.einsum("ij,jk,ik->i", p, np.linalg.inv(a.T @ a), p)
    return np.asarray(1 / len(stage) + spread)


def _in_hull(corners: Floats, points: Floats) -> NDArray[np.bool_]:
    from scipy.spatial import ConvexHull

    equations = ConvexHull(corners).equations
    slack = 1e-9 * float(np.abs(corners - corners.mean(axis=0)).max())
    return np.asarray((points @ equations[:, :2].T + equations[:, 2] <= slack).all(axis=1))
