"""Flags of stitching: of single tiles, and of the mosaic as a whole."""

from typing import Final

from engine.flags import Flag

FLAGS: Final = (
    Flag(
        "weakly_linked",
        "Fewer than two overlaps of this tile agree with its place: it may be off by pixels.",
    ),
    Flag(
        "not_linked",
        "No overlap of this tile could be matched: it lies where its stage position and the habit "
        "of the other tiles put it.",
    ),
    Flag(
        "stands_alone",
        "This tile shares too little with any other one to be compared: its stage position is "
        "taken as it is.",
    ),
    Flag(
        "loosely_joined",
        "This tile and its neighbours hang on the main body of tiles by one overlap or none: they "
        "may be off together.",
    ),
    Flag(
        "link_contradicted",
        "An overlap of this tile asks for another place than its other overlaps do.",
    ),
    Flag(
        "correction_at_limit",
        "This tile was moved by nearly as much as was looked for: it may belong still further off.",
    ),
)
"""Flags of a tile, in the order of their bits."""

MOSAIC_FLAGS: Final = (
    Flag(
        "nominal_positions",
        "No overlap could be matched (no tissue, or nothing sharp in it): every tile lies at its "
        "nominal position.",
    ),
    Flag(
        "few_links",
        "Fewer than half of the tiles are well linked: seams and gaps of some pixels are likely.",
    ),
    Flag(
        "no_flat_field",
        "The flat field could not be told from the tiles: their shading is left as it is.",
    ),
)
"""Flags of a stitched mosaic."""
