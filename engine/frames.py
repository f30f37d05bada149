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
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from engine.footprint import Footprint
from engine.frame_quality import (
    EXTRAPOLATED,
    FLAGS,
    FrameSettings,
    Method,
    error_spiral,
    frame_flags,
    freedom,
    in_hull,
    leave_one_out,
    leverage,
    radius_factor,
    spread_ratio,
)

Floats = NDArray[np.float64]

__all__ = [
    "EXTRAPOLATED",
    "FLAGS",
    "Footprint",
    "Frame",
    "FrameSettings",
    "fit_frame",
    "identity_frame",
    "spread_ratio",
]


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
    disc_um
        The same landmarks as seen in the disc, (n, 2); empty in stores of older imports.
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
    disc_um: Floats = field(default_factory=lambda: np.empty((0, 2)))

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
        degrees = freedom(len(self.names), self.method)
        if not degrees:
            return np.full(len(points), np.nan)
        variance = float(np.sum(self.residual_um**2)) / degrees
        lever = leverage(self.stage_um, points, self.method)
        return np.asarray(np.sqrt(2 * variance * lever))

    def position_radius_um(self, xy_um: ArrayLike, share: float = 0.95) -> Floats:
        """Radius that holds the true place of stage positions with a probability, (n,).

        Only the landmarks' error is in it; how well the stage comes back to a place is not known
        here. NaN where :meth:`expected_error_um` is.
        """
        expected = self.expected_error_um(xy_um)
        degrees = freedom(len(self.names), self.method)
        return expected * radius_factor(share, degrees) if degrees else expected

    def likely_shifts_um(self, xy_um: ArrayLike, count: int) -> Floats:
        """Even sample of the error at stage positions, (n, count, 2), micrometres.

        The same shifts every time; NaN where :meth:`expected_error_um` is.
        """
        expected = self.expected_error_um(xy_um)
        degrees = freedom(len(self.names), self.method)
        unit = error_spiral(count, degrees) if degrees else np.full((count, 2), np.nan)
        return expected[:, None, None] * unit

    def extrapolates(self, xy_um: ArrayLike) -> NDArray[np.bool_]:
        """Whether stage positions lie outside the landmarks' convex hull, (n,)."""
        points = np.asarray(xy_um, float).reshape(-1, 2)
        if not self.names:
            return np.zeros(len(points), bool)
        return ~in_hull(self.stage_um, points)


def identity_frame() -> Frame:
    """Make the frame of a folder without landmarks: stage and disc are one."""
    return Frame(np.eye(2), np.zeros(2), "identity")


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
    needed = 4 if method == "affine" else 3
    left_out = leave_one_out(stage, disc, needed, partial(_fit, method=method))
    matrix_other, offset_other = _similarity(stage, disc, other_hand=True)
    other = np.sum((stage @ matrix_other.T + offset_other - disc) ** 2, axis=1)
    frame = Frame(
        matrix=matrix,
        offset_um=offset,
        method=method,
        names=tuple(names),
        stage_um=stage,
        residual_um=residual,
        rms_um=float(np.sqrt(np.mean(residual**2))),
        leave_one_out_um=left_out,
        flags=frame_flags(stage, residual, left_out, float(np.sqrt(np.mean(other))), settings),
        disc_um=disc,
    )
    given = (frame.leave_one_out_um, stage, disc)
    for array in (frame.matrix, frame.offset_um, frame.residual_um, *given):
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
