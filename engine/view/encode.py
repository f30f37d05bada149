"""Pictures as bytes: lossy only where no colour stands for a number."""

import io
import struct

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from engine.view.picture import Picture

JPEG_QUALITY = 87


def encode_png(picture: Picture) -> bytes:
    """Encode the whole picture as one PNG, for a file or a page of print."""
    out = io.BytesIO()
    Image.fromarray(picture.rgba()[..., :3]).save(out, "PNG", compress_level=6)
    return out.getvalue()


def encode_layers(picture: Picture) -> bytes:
    """Encode the picture for the viewer: the ground and the marks, one after the other.

    The body is the length of the first part (uint32, little-endian), the ground (JPEG where it
    is the mosaic alone, else lossless WebP) and the marks (lossless WebP with alpha; nothing where
    there are none). The browser lays one over the other.
    """
    if picture.only_mosaic:
        # colours at full resolution: halved, they would run over the edges of the nuclei
        below = _save(picture.below, "JPEG", quality=JPEG_QUALITY, subsampling=0)
    else:
        whole = picture.below if picture.colour is not None else picture.grey[..., None]
        whole = np.broadcast_to(whole, (*picture.grey.shape, 3))
        below = _save(np.ascontiguousarray(whole), "WEBP", lossless=True, method=0, quality=0)
    above = b""
    if picture.overlay[..., 3].any():
        above = _save(picture.overlay, "WEBP", lossless=True, method=0, quality=0)
    return struct.pack("<I", len(below)) + below + above


def _save(pixels: NDArray[np.uint8], form: str, **how: object) -> bytes:
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, form, **how)
    return out.getvalue()
