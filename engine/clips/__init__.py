"""Clips of a hand-held endoscope: focus, path, mosaic, and a cautious word on the cells."""

from engine.clips.analyse import analyse_clip
from engine.clips.flags import FLAGS
from engine.clips.focus import focus_score, judge_focus
from engine.clips.mosaic import make_mosaic
from engine.clips.path import find_path
from engine.clips.results import (
    VERDICTS,
    ClipAnalysis,
    ClipMosaic,
    ClipVerdict,
    FrameFocus,
    FramePath,
)
from engine.clips.settings import ClipsSettings
from engine.clips.verdict import judge_mosaic

__all__ = [
    "FLAGS",
    "VERDICTS",
    "ClipAnalysis",
    "ClipMosaic",
    "ClipVerdict",
    "ClipsSettings",
    "FrameFocus",
    "FramePath",
    "analyse_clip",
    "find_path",
    "focus_score",
    "judge_focus",
    "judge_mosaic",
    "make_mosaic",
]
