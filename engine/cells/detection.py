"""Nuclei of a fluorescence mosaic: where, how large, how clear, and how they were found."""

from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from engine.cells.candidates import Candidates, Survey, survey
from engine.cells.crowded import split_touching
from engine.cells.noise import NoiseModel, estimate_noise
from engine.cells.settings import CellsSettings, DetectionSettings

Method = Literal["sharpness_gate", "watershed", "none"]

_FAINTEST_BLUR: Final = 0.1
"""Blurred candidates fainter than this share of a typical nucleus don't speak for haze."""


_HARDLY_SHARPER: Final = 1.1
_SOFT_SHARE: Final = 1 / 7
"""Of simulated discs blurred step by step, F1 was 0.97 where this share was reached, 0.99 before
and 0.94 to 0.7 beyond."""


@dataclass(frozen=True)
class NucleiDetection:
    """Nuclei found in one image.

    Attributes
    ----------
    x_um, y_um
        (n,) centres in the disc frame: pixel (row, col) has its centre at (col, row) x pixel size.
        Ordered by row, then column.
    diameter_um
        (n,) diameter at half contrast (sharpness gate) or of equal area (watershed).
    snr
        (n,) contrast over the pixel noise at the brightness of the surround.
    contrast
        (n,) brightness above the surround, image unit.
    sharpness_per_um
        (n,) steepest fall of the brightness profile over its contrast.
    method
        ``sharpness_gate``: peaks of a band-pass, those out of focus and those too small left out;
        ``watershed``: crowded nuclei split by watershed; ``none``: nothing to find.
    note
        One sentence: what was seen in the image and how it was therefore treated.
    count_thresholds
        (3,) contrast floors, image unit, at which nuclei were counted.
    counts
        (3,) the counts; the middle one is the result's.
    noise_sd
        Pixel noise at the typical surround, image unit.
    flags
        Names, see `engine.cells.flags`.
    by_hand
        (n,) whether a person added it; empty where nothing was corrected.
    blurred_share
        Share of the bright candidates that are out of focus; NaN where none was looked at.
    """

    x_um: NDArray[np.float64]
    y_um: NDArray[np.float64]
    diameter_um: NDArray[np.float64]
    snr: NDArray[np.float64]
    contrast: NDArray[np.float64]
    sharpness_per_um: NDArray[np.float64]
    method: Method
    note: str
    count_thresholds: tuple[float, float, float]
    counts: tuple[int, int, int]
    noise_sd: float
    flags: tuple[str, ...]
    by_hand: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    blurred_share: float = float("nan")


@dataclass(frozen=True)
class _Verdict:
    """What the candidates say about the image."""

    reference: float
    blurred_share: float
    close_share: float
    solid: NDArray[np.bool_]


def _weighted_median(values: NDArray[np.float64]) -> float:
    """Median of values weighted by themselves: a host of faint specks hardly moves it."""
    if not values.size:
        return 0.0
    ordered = np.sort(values)
    total = np.cumsum(ordered)
    return float(ordered[np.searchsorted(total, 0.5 * total[-1])])


def _close_share(x: NDArray[np.float64], d: NDArray[np.float64], ratio: float) -> float:
    """Share of points whose nearest neighbour is nearer than ``ratio`` diameters."""
    if len(x) < 2:
        return 0.0
    return float(np.mean(np.asarray(cKDTree(x).query(x, 2)[0])[:, 1] < ratio * d))


def _judge(found: Candidates, pixel_um: float, settings: DetectionSettings) -> _Verdict:
    wide = found.narrow_radius_um >= settings.narrow_radius_min_um
    sharp = found.sharpness_per_um >= settings.sharpness_min_per_um
    reference = _weighted_median(found.contrast[wide & sharp])
    seen = wide & (found.contrast >= _FAINTEST_BLUR * reference)
    blurred = int(np.count_nonzero(seen & ~sharp)) / max(1, int(np.count_nonzero(seen)))
    counted = wide & sharp & (found.contrast >= settings.contrast_floor_share * reference)
    at = np.column_stack([found.col, found.row])[counted] * pixel_um
    close = _close_share(at, 2 * found.radius_um[counted], settings.crowded_distance_ratio)
    return _Verdict(reference, blurred, close, wide & sharp)


def _counts(contrast: NDArray[np.float64], floor: float, factors: tuple[float, ...]) -> Any:
    levels = tuple(float(f * floor) for f in factors)
    return levels, tuple(int(np.count_nonzero(contrast >= level)) for level in levels)


def _gated(
    found: Candidates, verdict: _Verdict, noise: NoiseModel, pixel_um: float, s: DetectionSettings
) -> NucleiDetection:
    solid = found.take(verdict.solid)
    floor = s.contrast_floor_share * verdict.reference
    levels, counts = _counts(solid.contrast, floor, s.threshold_factors)
    kept = solid.take(solid.contrast >= floor)
    haze = verdict.blurred_share >= s.haze_share_min
    note = (
        f"{100 * verdict.blurred_share:.0f} % of the candidates are out of focus"
        f"{' (haze)' if haze else ''}: kept those sharper than {s.sharpness_min_per_um:g} per µm, "
        f"wider than {2 * s.narrow_radius_min_um:g} µm and brighter than "
        f"{100 * s.contrast_floor_share:.0f} % of a typical nucleus."
    )
    return NucleiDetection(
        x_um=kept.col * pixel_um,
        y_um=kept.row * pixel_um,
        diameter_um=2 * kept.radius_um,
        snr=kept.snr,
        contrast=kept.contrast,
        sharpness_per_um=kept.sharpness_per_um,
        method="sharpness_gate",
        note=note,
        count_thresholds=levels,
        counts=counts,
        noise_sd=_typical_noise(kept, noise),
        flags=(),
    )


def _typical_noise(found: Candidates, noise: NoiseModel) -> float:
    if not found.row.size:
        return noise.smallest_sd
    return float(noise.sd_at(np.array([np.median(found.background)]))[0])


def _split(
    image: Any, found: Candidates, verdict: _Verdict, noise: NoiseModel, pixel_um: float,
    s: DetectionSettings,
) -> NucleiDetection:  # fmt: skip
    row, col, diameter = split_touching(image, pixel_um, s)
    x, y = col * pixel_um, row * pixel_um
    solid = found.take(verdict.solid)
    # brightness is measured at peaks: each nucleus takes that of the nearest one
    near = cKDTree(np.column_stack([solid.col, solid.row])).query(np.column_stack([col, row]))[1]
    kept = solid.take(np.asarray(near))
    levels, counts = _counts(
        kept.contrast, s.contrast_floor_share * verdict.reference, s.threshold_factors
    )
    keep = kept.contrast >= levels[1]
    note = (
        f"Only {verdict.blurred_share:.1%} of the candidates are out of focus and "
        f"{verdict.close_share:.0%} lie within {s.crowded_distance_ratio:g} diameters of the next: "
        "taken as crowded nuclei without haze and split by watershed."
    )
    return NucleiDetection(
        x_um=x[keep],
        y_um=y[keep],
        diameter_um=diameter[keep],
        snr=kept.snr[keep],
        contrast=kept.contrast[keep],
        sharpness_per_um=kept.sharpness_per_um[keep],
        method="watershed",
        note=note,
        count_thresholds=levels,
        counts=counts,
        noise_sd=_typical_noise(kept, noise),
        flags=(),
    )


def _saturated(seen: Survey) -> bool:
    """Tell whether many pixels share the top value: that is the end of a range."""
    return seen.highest > seen.lowest and seen.at_highest >= 30


def _soft(result: NucleiDetection, s: DetectionSettings) -> bool:
    """Tell whether the gate against blur stands on the flank of the sharp nuclei, not below it."""
    if result.method != "sharpness_gate" or not result.x_um.size:
        return False
    hardly = result.sharpness_per_um < _HARDLY_SHARPER * s.sharpness_min_per_um
    return float(np.mean(hardly)) > _SOFT_SHARE


def _flags(
    result: NucleiDetection, seen: Survey, pixel_um: float, s: DetectionSettings
) -> tuple[str, ...]:
    low, mid, high = result.counts
    at = np.column_stack([result.x_um, result.y_um])
    tests = {
        "no_nuclei": len(at) == 0,
        "coarse_pixel": pixel_um > 1.0,
        "saturated_image": _saturated(seen),
        "low_contrast": len(at) > 0 and float(np.median(result.snr)) < 2.0,
        "count_depends_on_threshold": max(low - mid, mid - high) > 0.1 * mid,
        "close_neighbours": _close_share(at, result.diameter_um, 1.2) > 0.1,
        "flat_image": seen.highest == seen.lowest,
        "missing_pixels": seen.missing > 0,
        "soft_image": _soft(result, s),
    }
    return tuple(name for name, is_so in tests.items() if is_so)


def _nothing(noise: NoiseModel, note: str) -> NucleiDetection:
    none = np.empty(0)
    return NucleiDetection(
        none, none, none, none, none, none, "none", note,
        (0.0, 0.0, 0.0), (0, 0, 0), noise.smallest_sd, (),
    )  # fmt: skip


def _checked(image: Any, pixel_um: float) -> None:
    if len(getattr(image, "shape", ())) != 2:
        raise ValueError(f"image must be (rows, cols), got shape {getattr(image, 'shape', None)}")
    if 0 in image.shape:
        raise ValueError(f"image must have pixels, got shape {image.shape}")
    if not np.isfinite(pixel_um) or pixel_um <= 0:
        raise ValueError(f"pixel_um must be > 0, got {pixel_um}")


def detect_nuclei(
    image: Any, pixel_um: float, settings: CellsSettings | None = None
) -> NucleiDetection:
    """Find the nuclei that are in focus.

    Peaks of the larger of two differences of Gaussians that stand above the propagated pixel noise
    are candidates. Each is measured along 24 rays. What then decides depends on the image. Where
    some candidates are blurred (haze), or nuclei stand apart, a candidate is a nucleus if it is
    sharp, wide and bright enough; where none is blurred and nuclei crowd, touching ones are split
    by watershed instead. The result's `note` says which.

    Parameters
    ----------
    image
        (rows, cols), an array or anything with ``shape`` and ``dtype`` that slices to one (a
        memory map, a Zarr array): it is read in blocks, and the result is the same, bit for bit,
        whatever their size.
    pixel_um
        Pixel size, um.
    settings
        Settings.

    Returns
    -------
    NucleiDetection
        Nuclei and how they were found.

    Raises
    ------
    ValueError
        If the image is not two-dimensional or empty, or the pixel size is not positive.
    """
    _checked(image, pixel_um)
    s = (settings or CellsSettings()).detection
    noise = estimate_noise(image)
    seen = survey(image, pixel_um, noise, s)
    found = seen.candidates
    verdict = _judge(found, pixel_um, s)
    crowded = (
        verdict.blurred_share < s.haze_share_min and verdict.close_share >= s.crowded_share_min
    )
    if not verdict.solid.any():
        result = _nothing(noise, "Nothing in the image looks like a nucleus.")
    elif crowded:
        result = _split(image, found, verdict, noise, pixel_um, s)
    else:
        result = _gated(found, verdict, noise, pixel_um, s)
    result = replace(result, blurred_share=verdict.blurred_share)
    return _with_flags(result, _flags(result, seen, pixel_um, s))


def _with_flags(result: NucleiDetection, flags: tuple[str, ...]) -> NucleiDetection:
    return NucleiDetection(**{**vars(result), "flags": flags})
