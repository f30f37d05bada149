"""Time the curve fit: ``python tests/benchmarks/bench_curves.py [--million]``.

First against scipy loops, all in the same run, one thread, CPU time. Two loops of
`scipy.optimize.curve_fit`, a call a curve, starting where a person would (contact where the
deflection has risen by a tenth):

- same model: d(z) with the contact solved along the drive, as here;
- short cut: baseline and Hertz law with the indentation taken from the data, which is quicker and
  biased once the contact is stiffer than the cantilever.

Neither has a free exponent, flags, or errors that hold under 1/f noise.

Then maps from a generated store, as an analysis reads them, each in a process of its own: time to
read the file's curves alone and to read and fit them, memory beside the results, what a second core
gives (of the wall clock), and the whole command with its tables. ``--million`` adds 10^6 curves.
"""

import json
import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.optimize import curve_fit

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

import curve_simulator
from large_store import large_store

from engine.mechanics import MechanicsSettings, Tip, fit_curves

K, NU, RADIUS = 0.8, 0.5, 5000.0


def _start(z, d):
    level = d[: len(d) // 10].mean()
    risen = np.flatnonzero(d > level + 0.1 * (d[-1] - level))[0]
    depth = z[-1] - z[risen] - (d[-1] - level)
    return level, z[risen], (d[-1] - level) / depth**1.5


def _shortcut_loop(z, d):
    out = np.empty(len(d))
    for i in range(len(d)):
        x = z - d[i]

        def model(zs, b0, b1, amplitude, c, x=x):
            return b0 + b1 * zs + amplitude * np.maximum(x - c, 0.0) ** 1.5

        level, contact, amplitude = _start(z, d[i])
        best, _ = curve_fit(model, z, d[i], p0=(level, 0.0, amplitude, contact - level))
        out[i] = best[2]
    return out


def _drive_model(z, b0, b1, log_alpha, z0):
    """Paraboloid: t^2 + alpha t^3 = u by six Newton steps from above."""
    alpha = np.exp(log_alpha)
    u = np.maximum(z - z0, 0.0)
    t = np.sqrt(u) + 1e-9
    for _ in range(6):
        t = t - (t * t * (1.0 + alpha * t) - u) / (t * (2.0 + 3.0 * alpha * t))
    return b0 + b1 * z + u - t * t


def _same_model_loop(z, d):
    out = np.empty(len(d))
    for i in range(len(d)):
        level, contact, amplitude = _start(z, d[i])
        best, _ = curve_fit(_drive_model, z, d[i], p0=(level, 0.0, np.log(amplitude), contact))
        out[i] = np.exp(best[2])
    return out


def _best(work, repeats):
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def _modulus(amplitude):
    return amplitude * K * (1 - NU**2) / (4 / 3 * np.sqrt(RADIUS)) * 1e6


def ratio(samples, count=1024, loops=48, shape="paraboloid", repeats=5, **settings):
    """Microseconds a curve takes here, in the same-model loop and in the short cut."""
    tip = Tip(shape, RADIUS)
    z, d, _ = curve_simulator.curves(count, samples, tip=tip, k=K)
    setting = MechanicsSettings(**settings)

    def batch():
        return fit_curves(
            z, d, tip=tip, spring_constant_N_per_m=K, poisson_ratio=NU, settings=setting
        )

    found = batch().modulus_kPa
    mine = _best(batch, repeats) / count
    times = [mine]
    for loop in (_same_model_loop, _shortcut_loop):
        other = _modulus(loop(z, d[:loops]))
        if shape == "paraboloid":
            assert np.all(np.abs(other / found[:loops] - 1) < 0.01)
        times.append(_best(lambda loop=loop: loop(z, d[:loops]), max(repeats - 2, 1)) / loops)
    return [1e6 * t for t in times]


def cold_start():
    """CPU seconds of the first fit with nothing compiled before, in a process of its own."""
    code = (
        "import time; from engine.mechanics import warm_up; t = time.process_time();"
        "warm_up(); print(time.process_time() - t)"
    )
    times = []
    with tempfile.TemporaryDirectory() as cache:
        env = os.environ | {"NUMBA_CACHE_DIR": cache}
        for _ in range(2):
            done = subprocess.run(
                [sys.executable, "-c", code],
                env=env,
                check=True,
                text=True,
                capture_output=True,
                cwd=Path(__file__).parents[2],
            )
            times.append(float(done.stdout))
    return times


def stored(path, threads=1):
    """Fit the stored map in a process of its own; see `fit_stored`."""
    here = Path(__file__).parent
    env = os.environ | {"PYTHONPATH": str(here.parents[1])}
    done = subprocess.run(
        [sys.executable, here / "fit_stored.py", path, str(threads)],
        env=env,
        check=True,
        text=True,
        capture_output=True,
    )
    return json.loads(done.stdout)


def whole_analysis(path):
    """Wall seconds of ``splendens analyse`` on the store, with two workers."""
    begin = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "viewer.cli", "analyse", str(path), "--workers", "2"],
        check=True,
        capture_output=True,
        cwd=Path(__file__).parents[2],
    )
    return time.perf_counter() - begin


def through_the_store(sizes):
    """Print what maps of these sizes (rows, cols, samples) take, read from a store."""
    print()
    print("Through the store, processor seconds; warm file")
    print(
        "   curves samples  import   read    fit  us a curve  read / fit  MB held  second core"
        "  all tables"
    )
    for rows, cols, samples in sizes:
        with tempfile.TemporaryDirectory() as home:
            begin = time.perf_counter()
            path = large_store(Path(home), rows, cols, samples)
            made = time.perf_counter() - begin
            one, two = stored(path), stored(path, threads=2)
            assert one["used"] > 0.99 * one["curves"]
            print(
                f"{one['curves']:9} {samples:7} {made:7.1f} {one['read_cpu_s']:6.2f} "
                f"{one['fit_cpu_s']:6.2f} {1e6 * one['fit_cpu_s'] / one['curves']:11.1f} "
                f"{one['read_cpu_s'] / one['fit_cpu_s']:10.1%} {one['held_MB']:9.0f} "
                f"{one['fit_s'] / two['fit_s']:12.2f} {whole_analysis(path):10.0f} s",
                flush=True,
            )


def main():
    print("CPU microseconds a curve, one thread")
    print("samples        law exponent   here  same model  ratio  short cut  ratio")
    for samples in (256, 2000):
        for shape in ("paraboloid", "sphere"):
            for free in (False, True):
                mine, same, short = ratio(samples, shape=shape, free_exponent=free)
                print(
                    f"{samples:7} {shape:>10} {free!s:>8} {mine:6.1f} {same:11.0f} "
                    f"{same / mine:6.1f}"
                    f" {short:10.0f} {short / mine:6.1f}",
                    flush=True,
                )
    sizes = [(100, 100, 256), (256, 256, 256), (64, 64, 2000)]
    through_the_store(sizes + ([(1000, 1000, 256)] if "--million" in sys.argv else []))
    cold, warm = cold_start()
    print(f"first fit: {cold:.1f} s CPU with nothing compiled, {warm:.2f} s from the cache")


if __name__ == "__main__":
    main()
