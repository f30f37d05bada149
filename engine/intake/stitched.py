"""Tiles as one mosaic: looked through, registered, and read by bands like any other image."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.flags import names_in
from engine.intake.channels import Seen
from engine.intake.mosaic import MosaicSource, RawMosaic
from engine.intake.report import Report
from engine.intake.tile_layout import check_directions, check_layout
from engine.intake.tile_map import TileMap
from engine.intake.tiles import TileStack
from engine.stitching import (
    FLAGS,
    Canvas,
    FlatField,
    Registration,
    StitchingSettings,
    blend_rows,
    block_medians,
    estimate_flat,
    lay_out,
    register_tiles,
    sample_overlaps,
    settings_for_pixel,
    typical_overlap_px,
)

_FEW = 0.5


@dataclass(frozen=True)
class _Look:
    """What a channel of the tiles looks like: medians of blocks a tile, and the pixels' range."""

    blocks: NDArray[np.float64]
    seen: Seen


def stitched_mosaic(
    stack: TileStack,
    as_one: MosaicSource,
    report: Report,
    settings: StitchingSettings | None = None,
    progress: Callable[[float], None] | None = None,
) -> MosaicSource | None:
    """Make one image of tiles; None, with the defects told, if their positions cannot be true.

    Parameters
    ----------
    stack
        The tiles.
    as_one
        One of them as a mosaic: channels, pixel size and type that all have.
    report
        Report on the table of tiles; takes defects and cautions.
    settings
        How they are stitched; by default what suits the pixel size.
    progress
        Told the share done, 0 to 1.
    """
    tell = progress or (lambda _share: None)
    pixel_um = as_one.pixel_um
    s = settings or settings_for_pixel(pixel_um)
    tile_shape = stack.shape[1:]
    position_px = stack.position_um / pixel_um
    if not check_layout(stack.position_um, tile_shape, pixel_um, report):
        return None
    nuclei = as_one.channels.index("nuclei") if "nuclei" in as_one.channels else 0

    def read(tile: int) -> NDArray[Any]:
        return stack.read(nuclei, tile, 0, tile_shape[0])

    found = register_tiles(read, position_px, tile_shape, s, lambda share: tell(0.7 * share))
    if not check_directions(read, found, tile_shape, pixel_um, s, report):
        return None
    looks, fields = [], []
    for channel in range(stack.shape[0]):
        looks.append(_look(stack, channel, s))
        fields.append(_field(stack, channel, looks[-1], found, s))
        tell(0.7 + 0.3 * (channel + 1) / stack.shape[0])
    names = _mosaic_flags(found, fields)
    for name, look in zip(as_one.channels, looks, strict=True):
        look.seen.tell(name, report)
    _place_cautions(found, names, pixel_um, report)
    overlap = typical_overlap_px(position_px, tile_shape, found.links.pairs)
    canvas = lay_out(position_px, found.correction_px, tile_shape, overlap)
    raw = RawMosaic(
        (stack.shape[0], *canvas.shape),
        as_one.dtype,
        min(s.rows_at_once, canvas.shape[0]),
        _band_reader(stack, canvas, fields, as_one.dtype, s),
    )
    return replace(
        as_one,
        shape=raw.shape,
        rows_at_once=raw.rows_at_once,
        origin_um=(canvas.origin_px[0] * pixel_um, canvas.origin_px[1] * pixel_um),
        tiles=_tile_map(stack, found, as_one, fields, names, s),
        _raw=raw,
        _report=report,
    )


def _band_reader(
    stack: TileStack,
    canvas: Canvas,
    fields: list[FlatField],
    dtype: np.dtype[Any],
    s: StitchingSettings,
) -> Any:
    def read_rows(channel: int, first: int, stop: int) -> NDArray[Any]:
        def read(tile: int, low: int, high: int) -> NDArray[Any]:
            return stack.read(channel, tile, low, high)

        out = np.empty((stop - first, canvas.shape[1]), dtype)
        for low in range(first, stop, s.rows_at_once):
            high = min(low + s.rows_at_once, stop)
            out[low - first : high - first] = blend_rows(
                canvas, read, low, high, fields[channel], dtype
            )
        return out

    return read_rows


def _look(stack: TileStack, channel: int, s: StitchingSettings) -> _Look:
    """Look at a channel of evenly spread tiles; at all of them where those have but one value."""
    count, rows = len(stack.tiles), stack.shape[1]
    some = np.unique(np.linspace(0, count - 1, min(count, s.flat_tiles_max)).astype(int))
    blocks, seen = [], Seen()
    for tile in some.tolist():
        pixels = stack.read(channel, tile, 0, rows)
        blocks.append(block_medians(pixels))
        seen.add(pixels)
    for tile in sorted(set(range(count)) - set(some.tolist())):
        if seen.pixels and not seen.constant:
            break
        seen.add(stack.read(channel, tile, 0, rows))
    return _Look(np.array(blocks), seen)


def _field(
    stack: TileStack, channel: int, look: _Look, found: Registration, s: StitchingSettings
) -> FlatField:
    def read(tile: int, first: int, stop: int) -> NDArray[Any]:
        return stack.read(channel, tile, first, stop)

    overlaps = sample_overlaps(read, found, stack.shape[1:], s.flat_pairs_max)
    return estimate_flat(look.blocks, overlaps, s)


def _mosaic_flags(found: Registration, fields: list[FlatField]) -> list[str]:
    names = []
    lively = found.links.candidate_correlation[:, 0] > 0
    if len(found.position_px) > 1 and not found.consistent.any():
        names.append("nominal_positions")
    elif len(found.position_px) > 1 and found.consistent[lively].mean() < _FEW:
        names.append("few_links")
    if not all(field.estimated for field in fields):
        names.append("no_flat_field")
    return names


def _place_cautions(found: Registration, names: list[str], pixel_um: float, report: Report) -> None:
    count = len(found.position_px)
    if "nominal_positions" in names:
        report.caution(
            "mosaic_nominal_positions",
            f"No overlap of the {count} tiles could be matched (no tissue, or nothing sharp in "
            "it): the mosaic is laid out by the nominal positions.",
        )
        return
    lively = np.unique(found.links.pairs[found.links.candidate_correlation[:, 0] > 0])
    weak = [
        tile
        for tile in lively.tolist()
        if {"weakly_linked", "not_linked", "loosely_joined"}
        & set(names_in(FLAGS, int(found.flags[tile])).split(";"))
    ]
    if weak:
        far = np.linalg.norm(found.correction_px[weak], axis=1).max() * pixel_um
        report.caution(
            "tiles_weakly_linked",
            f"{len(weak)} of the {len(lively)} tiles with something in their overlaps are weakly "
            f"linked (moved by up to {far:.1f} um): cells there may be off by some micrometres, or "
            "counted twice.",
        )


def _tile_map(
    stack: TileStack,
    found: Registration,
    as_one: MosaicSource,
    fields: list[FlatField],
    names: list[str],
    s: StitchingSettings,
) -> TileMap:
    pixel_um = as_one.pixel_um
    measured = found.links.candidate_correlation[:, 0] > 0
    return TileMap(
        files=tuple(row.file for row in stack.rows),
        nominal_um=stack.position_um[:, ::-1].copy(),
        correction_um=found.correction_px[:, ::-1] * pixel_um,
        size_um=(stack.shape[2] * pixel_um, stack.shape[1] * pixel_um),
        links=found.link_count,
        flags=tuple(names_in(FLAGS, int(mask)) for mask in found.flags),
        pairs=found.links.pairs,
        residual_um=np.where(measured, found.residual_px * pixel_um, np.nan),
        pair_used=found.consistent,
        mosaic_flags=";".join(names),
        shading=tuple(
            {
                "channel": channel,
                "estimated": field.estimated,
                "dark": field.dark,
                "fill": None if as_one.dtype.kind == "f" else float(np.rint(field.low)),
                "depth": field.depth,
                "coefficients": field.coefficients.tolist(),
                "powers": field.powers.tolist(),
            }
            for channel, field in zip(as_one.channels, fields, strict=True)
        ),
        settings=s.model_dump(mode="json"),
    )
