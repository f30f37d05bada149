"""Accuracy of clips against simulated truth: ``python tests/score_clips.py [CLIPS A CLASS]``.

Prints, over clips of every class: error of the path, how well the focus score ranks the frames by
their true blur, and the verdict: share answered, balanced accuracy of the answers, and what is
answered where nothing should be (mixed fields, clips without a sharp frame).
"""

import sys
from dataclasses import dataclass

import numpy as np
from clips_simulator import Clip, make_clip
from scipy.stats import spearmanr

from engine.clips import VERDICTS, ClipAnalysis, analyse_clip


@dataclass(frozen=True)
class Score:
    """One clip's figures."""

    kind: str
    verdict: str
    path_rms_px: float
    joined_share: float
    focus_rank: float
    sharpest_excess_px: float


def analysed(clip: Clip, pixel_um: float | None = 1.0) -> ClipAnalysis:
    return analyse_clip(lambda i: clip.frames[i], len(clip.frames), pixel_um)


def score(clip: Clip) -> Score:
    found = analysed(clip)
    joined = found.path.joined
    off = found.path.place_px[joined] - clip.place_px[joined]
    off = off - off.mean(axis=0)
    return Score(
        kind=clip.kind,
        verdict=found.verdict.verdict,
        path_rms_px=float(np.sqrt(np.mean(off**2))),
        joined_share=float(joined.sum() / max(found.focus.usable.sum(), 1)),
        focus_rank=float(-spearmanr(found.focus.score, clip.blur_px)[0]),
        sharpest_excess_px=float(clip.blur_px[found.focus.sharpest] - clip.blur_px.min()),
    )


def balanced(scores: list[Score]) -> tuple[float, float]:
    """Balanced accuracy of the answers, and the share answered, over the three classes."""
    accuracy, answered = [], []
    for kind in VERDICTS:
        those = [s for s in scores if s.kind == kind]
        given = [s for s in those if s.verdict]
        answered.append(len(given) / len(those))
        if given:
            accuracy.append(np.mean([s.verdict == kind for s in given]))
    return float(np.mean(accuracy)), float(np.mean(answered))


def main(clips: int) -> int:
    scores = [
        score(make_clip(kind, seed, soft=0.35 * (seed % 3)))
        for kind in VERDICTS
        for seed in range(clips)
    ]
    mixed = [score(make_clip("mixed", seed)) for seed in range(clips)]
    soft = [score(make_clip(kind, seed, soft=3.0)) for kind in VERDICTS for seed in range(clips)]
    accuracy, answered = balanced(scores)
    rms = np.array([s.path_rms_px for s in scores])
    print(f"path error, px RMS a component: median {np.median(rms):.2f}, worst {rms.max():.2f}")
    print(f"usable frames joined: {np.mean([s.joined_share for s in scores]):.0%}")
    rank = [s.focus_rank for s in scores]
    print(f"focus against true blur, rank: {np.median(rank):.2f}, worst {min(rank):.2f}")
    worst = max(s.sharpest_excess_px for s in scores)
    print(f"sharpest frame's blur over the least one: at most {worst:.2f} px")
    print(f"answered {answered:.0%}; balanced accuracy of the answers {accuracy:.3f}")
    print(f"mixed fields answered: {np.mean([bool(s.verdict) for s in mixed]):.0%}")
    wrong = np.mean([s.verdict not in ("", s.kind) for s in soft])
    given = np.mean([bool(s.verdict) for s in soft])
    print(f"clips without a sharp frame (3 px more): answered {given:.0%}, wrongly {wrong:.0%}")
    return int(accuracy < 0.9 or np.median(rms) > 0.5)


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 8))
