"""``landmarks.csv``: points seen in both frames, and the frame they give."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from engine.frame_quality import CLOSE, FLAGS, OUTLIER, closest_pair
from engine.frames import Frame, FrameSettings, fit_frame, spread_ratio
from engine.intake.report import Report, shown
from engine.intake.text import Row, number, read_table

COLUMNS = ("name", "stage_x_um", "stage_y_um", "disc_x_um", "disc_y_um")
DISAGREE_UM = 10.0
"""Residual beyond which landmarks are said to disagree, micrometres (the contract's figure)."""
COLLINEAR_RATIO = 0.02
"""Spread across over spread along below which points count as lying on one line.

A convention of this project: with landmark errors of 10 um over 2 mm the spread across a true
line comes out at about 0.01, and the mirror would be decided by those errors."""
SCALE_TOLERANCE = 0.02
"""Departure of the frame's scale from one that is worth a caution; a few per mille are usual."""
_FAR_UM = 1e9
_SAME_UM = 1e-3


def read_landmarks(
    path: Path, report: Report, settings: FrameSettings | None = None
) -> Frame | None:
    """Read the landmarks and fit the frame; None, with the defects told, where it can't be had.

    Parameters
    ----------
    path
        The file.
    report
        Takes defects, and the caution about landmarks that disagree.
    settings
        How the frame is fitted.
    """
    before = len(report.defects)
    rows = read_table(path, COLUMNS, report)
    if rows is None:
        return None
    names = tuple(row.cells["name"] for row in rows)
    stage = _points(rows, "stage", report)
    disc = _points(rows, "disc", report)
    _check_names(rows, report)
    _check_repeats(rows, stage, "stage", report)
    _check_repeats(rows, disc, "disc", report)
    if len(rows) < 3:
        report.defect("", f"{len(rows)} landmark(s)", "three or more, not on one line")
    else:
        _check_line(stage, "stage", report)
        _check_line(disc, "disc", report)
    if len(report.defects) > before:
        return None
    frame = fit_frame(stage, disc, names, settings)
    _cautions(frame, report)
    return frame


def _points(rows: list[Row], frame: str, report: Report) -> NDArray[np.float64]:
    def cell(row: Row, axis: str) -> float:
        column = f"{frame}_{axis}_um"
        place = f"line {row.line}, landmark {row.cells['name']}, {column}"
        return number(row.cells[column], place, report, -_FAR_UM, _FAR_UM, "micrometres")

    return np.array([[cell(row, "x"), cell(row, "y")] for row in rows]).reshape(-1, 2)


def _check_names(rows: list[Row], report: Report) -> None:
    seen: dict[str, int] = {}
    for row in rows:
        name = row.cells["name"]
        place = f"line {row.line}, landmark {name}, name"
        if not name:
            report.defect(place, "an empty cell", "a name")
        elif seen.setdefault(name, row.line) != row.line:
            report.defect(place, f"{shown(name)}, as on line {seen[name]}", "each landmark once")


def _check_repeats(
    rows: list[Row], points: NDArray[np.float64], frame: str, report: Report
) -> None:
    for i in range(1, len(rows)):
        near = np.linalg.norm(points[:i] - points[i], axis=1) < _SAME_UM
        if near.any():
            first = rows[int(np.argmax(near))]
            report.defect(
                f"line {rows[i].line}, landmark {rows[i].cells['name']}, {frame} position",
                f"the same point as on line {first.line}",
                "each landmark at a point of its own",
            )


def _check_line(points: NDArray[np.float64], frame: str, report: Report) -> None:
    sound = points[np.isfinite(points).all(axis=1)]
    if len(sound) < 3 or len(np.unique(sound, axis=0)) < 3:
        return
    ratio = spread_ratio(sound)
    if ratio < COLLINEAR_RATIO:
        report.defect(
            f"{frame}_x_um, {frame}_y_um",
            f"landmarks on one line (spread across it {ratio:.3f} of that along it)",
            f"a spread across of at least {COLLINEAR_RATIO}: on a line the mirror is open",
        )


def _cautions(frame: Frame, report: Report) -> None:
    worst = int(np.argmax(frame.residual_um))
    if frame.residual_um[worst] > DISAGREE_UM:
        report.caution(
            "landmarks_disagree",
            f"The landmarks disagree: {frame.names[worst]} is {frame.residual_um[worst]:.1f} um "
            f"off the fitted frame (rms {frame.rms_um:.1f} um).",
        )
    elif abs(frame.scale - 1) > SCALE_TOLERANCE:
        report.caution(
            "frame_scale",
            f"The stage is scaled by {1 / frame.scale:.4f} against the disc; a few per mille are "
            "usual.",
        )
    for name in frame.flags:
        report.caution(name, frame_words(frame, name))


def frame_words(frame: Frame, name: str) -> str:
    """Sentence of a frame's flag, with the landmark or landmarks that it means.

    Parameters
    ----------
    frame
        A fitted frame.
    name
        One of its flags.
    """
    sentence = next(flag.sentence for flag in FLAGS if flag.name == name)
    if name == OUTLIER:
        left_out = np.where(
            np.isfinite(frame.leave_one_out_um), frame.leave_one_out_um, frame.residual_um
        )
        worst = int(np.argmax(left_out))
        sentence += f" It is {frame.names[worst]}, {left_out[worst]:.1f} um off the others' frame."
    if name == CLOSE:
        first, second, _ = closest_pair(frame.stage_um)
        sentence += f" They are {frame.names[first]} and {frame.names[second]}."
    return sentence
