"""Texture alone of a surface that is already free of faults: levelled, filtered, measured."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.collagen.areal_filter import filter_surface
from engine.collagen.comparability import Basis
from engine.collagen.levelling import level
from engine.collagen.material_ratio import material_ratio
from engine.collagen.settings import CollagenSettings
from engine.collagen.texture import TextureResult, texture

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MeasuredSurface:
    """Texture of one surface and what it rests on.

    Attributes
    ----------
    texture
        ISO 25178-2 parameters.
    basis
        For :func:`engine.collagen.comparable`.
    """

    texture: TextureResult
    basis: Basis


def basis_of(
    shape: tuple[int, ...],
    pixel_nm: tuple[float, float],
    steps: tuple[str, ...],
    filters: tuple[str, ...],
) -> Basis:
    """Say what the numbers of an image of this shape rest on.

    Parameters
    ----------
    shape
        (rows, cols).
    pixel_nm
        Spacing along u and v.
    steps, filters
        Levelling steps and areal filters; row jitter, which only some images have, is left out.
    """
    return Basis(
        window_u_nm=shape[1] * pixel_nm[0],
        window_v_nm=shape[0] * pixel_nm[1],
        pixel_u_nm=pixel_nm[0],
        pixel_v_nm=pixel_nm[1],
        levelling=tuple(step for step in steps if step != "row_jitter"),
        filters=filters,
    )


def measure_surface(
    height_nm: Array, pixel_nm: tuple[float, float], settings: CollagenSettings
) -> MeasuredSurface:
    """Level and filter a surface as the settings say and measure its texture.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    settings
        Levelling, filters and the threshold of the autocorrelation; nothing is masked.

    Returns
    -------
    MeasuredSurface
    """
    levelled = level(height_nm, settings)
    filtered, filters = filter_surface(
        levelled.height_nm, pixel_nm, settings.s_filter_nm, settings.l_filter_nm
    )
    found = texture(filtered, pixel_nm, levelled.Sq_plane_nm, settings, material_ratio(filtered))
    return MeasuredSurface(found, basis_of(height_nm.shape, pixel_nm, levelled.steps, filters))
