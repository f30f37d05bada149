"""Bias and coverage of the curve fit under noise: ``python tests/score_noise.py [CURVES]``.

Curves of one known modulus, each with noise of its own, in maps of 64 and of 16 and in maps of 16
whose probe's noise is known from 15 others (as an analysis of a whole disc has it). Printed are
bias and spread of ln E and the share of 95 % intervals that hold the truth, for E, for the contact
and for the free exponent. Bars: bias below 0.5 % where the spread is below 10 %, coverage 92 to
97 %. A bar that is missed is marked, but only where chance cannot explain it (three standard errors
of the share).
"""

import sys
from itertools import product

import curve_simulator
import numpy as np
from scipy.interpolate import CubicSpline

from engine.mechanics import Tip, fit_curves, pool_noise

WHITE_NM = 0.15
SAMPLES = (128, 256, 512, 2000)
LEVELS = (1, 30)
"""Factors on the noise: spreads of ln E of about 0.1 % and of 1 to 7 %."""
BAR = 0.92, 0.97
TIP = Tip("sphere", 5000.0)


def white(rng, shape):
    return WHITE_NM * rng.standard_normal(shape)


def memory(rho):
    return lambda rng, shape: curve_simulator.ar1(rng, shape, rho, WHITE_NM)


def drifting(corner):
    """White noise and 1/f noise that meet at a corner frequency, cycles a sample."""

    def make(rng, shape):
        pink = curve_simulator.pink(rng, shape, 0.1**2 * corner)
        return 0.1 * rng.standard_normal(shape) + pink

    return make


def both(rng, shape):
    return memory(0.9)(rng, shape) + curve_simulator.pink(rng, shape, 0.1**2 * 0.1)


NOISES = {
    "white": white,
    "memory 0.5": memory(0.5),
    "memory 0.9": memory(0.9),
    "memory 0.98": memory(0.98),
    "1/f from 0.02": drifting(0.02),
    "1/f from 0.06": drifting(0.06),
    "1/f from 0.5": drifting(0.5),
    "1/f and memory": both,
}
"""Makers of noise by name: ``make(rng, shape)``, nm."""


def clean_curves(count, samples):
    """z (samples,), d (count, samples), contacts (count,), without noise, nm.

    As `curve_simulator.curves`, but the push is read from one spline, whose error is below 1e-6 nm.
    """
    z = np.linspace(0.0, 3000.0, samples)
    contact = 2100.0 + np.random.default_rng(0).uniform(-60.0, 60.0, count)
    root = np.linspace(0.0, np.sqrt(1000.0), 4001)
    push = CubicSpline(root, curve_simulator.exact_push(root**2, 300.0, 0.8, TIP, 0.5))
    return z, push(np.sqrt(np.maximum(z - contact[:, None], 0.0))), contact


def fit(z, d, pooled=None):
    return fit_curves(
        z, d, tip=TIP, spring_constant_N_per_m=0.8, poisson_ratio=0.5, pooled_noise=pooled
    )


def maps_of(z, d, size, group):
    """Fits of maps of a size; with a group, each with the pooled noise of so many maps."""
    maps = [d[i : i + size] for i in range(0, len(d) - size + 1, size)]
    fits = [fit(z, m) for m in maps]
    if group:
        for start in range(0, len(maps), group):
            pooled = pool_noise([f.noise for f in fits[start : start + group]])
            for i in range(start, min(start + group, len(maps))):
                fits[i] = fit(z, maps[i], pooled)
    return fits


def score(noise, samples, curves, size, group=0, seed=11, level=1.0):
    """Bias, spread of ln E and the three coverages, and how many curves were used.

    Parameters
    ----------
    noise
        Name in `NOISES`.
    samples, curves
        Samples a curve, and how many curves in all.
    size, group
        Curves a map, and maps whose noise is pooled (0 = each stands alone).
    seed, level
        Of the noise, and a factor on it.
    """
    rng = np.random.default_rng(seed)
    z, d, contact = clean_curves(curves, samples)
    fits = maps_of(z, d + level * NOISES[noise](rng, d.shape), size, group)
    found = {
        name: np.concatenate([getattr(f, name) for f in fits])
        for name in (
            "modulus_kPa",
            "log_modulus_se",
            "contact_z_nm",
            "contact_se_nm",
            "exponent",
            "exponent_se",
            "used",
        )
    }
    used = found["used"]
    error = np.log(found["modulus_kPa"] / 300.0)
    pairs = (
        (error, found["log_modulus_se"]),
        (found["contact_z_nm"] - contact[: len(used)], found["contact_se_nm"]),
        (found["exponent"] - 1.5, found["exponent_se"]),
    )
    held = [float(np.mean(np.abs(off[used]) < 1.96 * se[used])) for off, se in pairs]
    return float(error[used].mean()), float(error[used].std()), held, int(used.sum())


def missed(bias, spread, held, count):
    """Which bars are missed beyond chance, as a word; empty for none."""
    words = []
    if spread < 0.1 and abs(bias) > 0.005 + 3 * spread / np.sqrt(count):
        words.append("bias")
    chance = 3 * np.sqrt(0.05 * 0.95 / count)
    if not BAR[0] - chance <= held[0] <= BAR[1] + chance:
        words.append("coverage")
    return " ".join(words)


def main():
    curves = int(sys.argv[1]) if len(sys.argv) > 1 else 1920
    kinds = (("64", 64, 0), ("16", 16, 0), ("16, pooled", 16, 16))
    print(f"{curves} curves a row; ln E: bias and spread, %; coverage of 95 % intervals, %")
    print("noise           level samples  map         bias  spread      E  contact  exponent")
    bad = 0
    for noise, level, samples in product(NOISES, LEVELS, SAMPLES):
        for label, size, group in kinds:
            bias, spread, held, count = score(noise, samples, curves, size, group, level=level)
            word = missed(bias, spread, held, count)
            bad += bool(word)
            print(
                f"{noise:15} {level:5} {samples:7}  {label:10} {100 * bias:+5.2f} "
                f"{100 * spread:7.2f} {100 * held[0]:6.1f} {100 * held[1]:8.1f} "
                f"{100 * held[2]:9.1f}  {word}",
                flush=True,
            )
    print(f"{bad} rows miss a bar")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
