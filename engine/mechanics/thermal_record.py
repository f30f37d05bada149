"""From a record or spectrum of free motion to its fit, with nothing to be chosen by hand."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .thermal import HANN, Beam, ThermalFit, fit_thermal, thermal_spectrum
from .thermal_range import resonance_range

Floats = NDArray[np.float64]

_LONGEST, _FINEST = 16_384, 262_144
_FEWEST_SEGMENTS = 16
_BINS_A_WIDTH = 16.0
_WIDTHS = 20.0


@dataclass(frozen=True)
class ThermalCalibration:
    """A spectrum and the oscillator fitted to it.

    Attributes
    ----------
    frequency_Hz, density_nm2_per_Hz
        One-sided spectrum (m,).
    averages
        Independent spectra in the mean.
    range_Hz
        Where it was fitted; NaN where no resonance was found.
    fit
        The fit; None where no resonance was found.
    """

    frequency_Hz: Floats
    density_nm2_per_Hz: Floats
    averages: int
    range_Hz: tuple[float, float]
    fit: ThermalFit | None


@dataclass(frozen=True)
class ThermalTerms:
    """What the fit is to assume; see `fit_thermal`.

    Attributes
    ----------
    temperature_K, beam, beam_factor, tilt_deg, sensitivity_rel_sd
        As there.
    range_Hz
        Where to fit; found from the spectrum if None.
    """

    temperature_K: float
    beam: Beam = "rectangular"
    beam_factor: float | None = None
    tilt_deg: float = 0.0
    sensitivity_rel_sd: float = 0.0
    range_Hz: tuple[float, float] | None = None


def calibrate_spectrum(
    frequency_Hz: ArrayLike, density_nm2_per_Hz: ArrayLike, averages: int, terms: ThermalTerms
) -> ThermalCalibration:
    """Find the resonance of a spectrum and fit it.

    Parameters
    ----------
    frequency_Hz, density_nm2_per_Hz
        One-sided spectrum (m,).
    averages
        Independent spectra in the mean.
    terms
        What to assume.
    """
    f, p = np.asarray(frequency_Hz, float), np.asarray(density_nm2_per_Hz, float)
    span = terms.range_Hz or resonance_range(f, p, averages)
    if not np.isfinite(span).all():
        return ThermalCalibration(f, p, averages, span, None)
    fit = _fit(f, p, averages, span, terms)
    if fit is not None and terms.range_Hz is None and np.isfinite(fit.quality):
        # a sharp resonance needs no view of what lies far from it
        half = _WIDTHS * fit.resonance_Hz / fit.quality
        closer = (max(span[0], fit.resonance_Hz - half), min(span[1], fit.resonance_Hz + half))
        if closer != span:
            span, fit = closer, _fit(f, p, averages, closer, terms)
    return ThermalCalibration(f, p, averages, span, fit)


def calibrate_record(
    deflection_nm: ArrayLike, sample_rate_Hz: float, terms: ThermalTerms
) -> ThermalCalibration:
    """Take the spectrum of a record and fit its resonance.

    The spectrum is taken anew with longer stretches where the resonance is narrower than 16 of its
    bins (a Hann window widens a peak by about one and a half).

    Parameters
    ----------
    deflection_nm
        Deflection of the free cantilever (s,), nm.
    sample_rate_Hz
        Samples a second.
    terms
        What to assume.
    """
    x = np.asarray(deflection_nm, float)
    segments = max(32, len(x) // _LONGEST)
    found = calibrate_spectrum(*thermal_spectrum(x, sample_rate_Hz, segments), terms)
    if found.fit is None or not np.isfinite(found.fit.quality):
        return found
    width = found.fit.resonance_Hz / found.fit.quality
    wanted = int(_BINS_A_WIDTH * sample_rate_Hz / width)
    finer = max(_FEWEST_SEGMENTS, len(x) // min(max(wanted, 1), _FINEST))
    if finer >= segments:
        return found
    return calibrate_spectrum(*thermal_spectrum(x, sample_rate_Hz, finer), terms)


def _fit(
    f: Floats, p: Floats, averages: int, span: tuple[float, float], terms: ThermalTerms
) -> ThermalFit | None:
    try:
        return fit_thermal(
            f,
            p,
            averages=averages,
            range_Hz=span,
            temperature_K=terms.temperature_K,
            beam=terms.beam,
            beam_factor=terms.beam_factor,
            tilt_deg=terms.tilt_deg,
            sensitivity_rel_sd=terms.sensitivity_rel_sd,
            inflation=HANN,  # the usual window; too wide an error is the smaller fault
        )
    except ValueError:  # too few bins within the range
        return None
