"""What a person waits for on the site card, beside a yardstick of the same run.

    python tests/benchmarks/bench_card.py

Prints medians in milliseconds and as multiples of sorting a million numbers: a click on a curve
(its share of the 150 ms from click to screen), a trial on the whole map (aim: 100 ms), the cloud of
all curves (aim: 150 ms), and refits of 64 curves of 2000 samples (aim: 100 ms each).
"""

import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import card_kit
import curve_simulator
from test_mechanics_refit import COMMON

from engine.mechanics import Tip, fit_curves, refit_map
from engine.store import open_store
from viewer.card_cloud_facts import curve_cloud, density
from viewer.card_facts import map_facts, site_facts
from viewer.card_trial_facts import as_stored, try_on_map
from viewer.library import Library
from viewer.site_card import SiteCard
from viewer.state import ViewState


def median_ms(work, runs=7):
    work()
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        work()
        times.append(1e3 * (time.perf_counter() - begun))
    return statistics.median(times)


def on_the_card(library):
    """Pieces of work by name."""
    state = ViewState(discs=["tiny-1"], disc="tiny-1", site="b001", curve=1)
    card = SiteCard(state, library)
    turns = iter([0, 2, 4, 5, 7, 8, 10, 11] * 4)

    def click():
        state.curve = next(turns)

    facts = site_facts(library, "tiny-1", "b001")
    found = map_facts(library, facts)
    trial = replace(as_stored(facts), depth_share=0.7)

    def cloud():
        drawn = curve_cloud(library, facts, found, False)
        density(drawn.used, 13, drawn.whole, "#d4d4d4")

    assert card is not None
    return {
        "a click on a curve": click,
        "a trial on a map of 16 curves": lambda: try_on_map(library, facts, found, trial),
        "the cloud of a map": cloud,
    }


def refits():
    z, d, contact = curve_simulator.curves(64, 2000)
    before = fit_curves(z, d, **COMMON)
    changes = {
        "another law": {"tip": Tip("paraboloid", 6000.0)},
        "half the depth": {"depth_share": 0.5},
        "given contacts": {"contact": contact},
        "a layer": {"thickness_um": 100.0},
        "contact by a threshold": {"contact": "threshold", "depth_nm": 200.0},
    }

    def again(change):
        return lambda: refit_map(
            z, d, before=before, **{k: v for k, v in COMMON.items() if k not in change}, **change
        )

    return {f"refit of 64 x 2000, {name}": again(change) for name, change in changes.items()}


def main() -> None:
    numbers = np.random.default_rng(0).random(1_000_000)
    yardstick = median_ms(lambda: np.sort(numbers))
    with tempfile.TemporaryDirectory() as home:
        library = Library([open_store(card_kit.make_store(Path(home)))])
        for name, work in {**on_the_card(library), **refits()}.items():
            took = median_ms(work)
            print(f"{name:42s} {took:8.1f} ms   {took / yardstick:5.2f} x sort of 1e6")


if __name__ == "__main__":
    main()
