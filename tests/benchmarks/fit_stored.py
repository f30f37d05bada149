"""Fit the map of a store in this process and say what it took: ``fit_stored.py STORE THREADS``.

A process of its own, so that its peak of memory is that of the fit. Prints JSON: ``read_s``, time
to read every curve in the chunks that the fit reads, from a warm file; ``fit_s``, time to read and
fit them, both of the wall clock; ``read_cpu_s`` and ``fit_cpu_s``, of the processor; ``held_MB``,
the peak of memory beside the results; ``results_MB``; ``curves`` and ``used``.
"""

import json
import sys
import time
from pathlib import Path

import numpy as np

from engine.mechanics import warm_up
from engine.settings import Settings
from engine.store import open_store
from engine.tasks import chunk_of, fit_site


def memory_MB(what):
    text = Path("/proc/self/status").read_text(encoding="ascii")
    return int(text.split(f"{what}:")[1].split()[0]) / 1e3


def timed(work):
    wall, cpu = time.perf_counter(), time.process_time()
    found = work()
    return found, time.perf_counter() - wall, time.process_time() - cpu


def main(path, threads):
    store, settings = open_store(path), Settings()
    _, deflection = store.curves("big").rows_of("approach")
    count, samples = deflection.shape
    chunk = chunk_of(samples)
    # compiled, and the libraries' own memory in place
    warm_up()
    deflection[:chunk]

    def read():
        for start in range(0, count, chunk):
            deflection[start : start + chunk]

    read()
    _, read_s, read_cpu_s = timed(read)
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")  # the peak starts anew here
    before = memory_MB("VmRSS")
    fits, fit_s, fit_cpu_s = timed(lambda: fit_site(store, "big", settings, threads=threads))
    peak = memory_MB("VmHWM")
    results = sum(v.nbytes for v in vars(fits).values() if isinstance(v, np.ndarray)) / 1e6
    told = {
        "read_s": read_s,
        "fit_s": fit_s,
        "read_cpu_s": read_cpu_s,
        "fit_cpu_s": fit_cpu_s,
        "held_MB": peak - before - results,
        "results_MB": results,
        "curves": count,
        "used": int(fits.used.sum()),
    }
    sys.stdout.write(json.dumps(told) + "\n")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
