"""Flags of the cells part."""

from typing import Final

from engine.flags import Flag

FLAGS: Final = (
    Flag("no_nuclei", "No nucleus was found in the image."),
    Flag(
        "coarse_pixel",
        "The pixel is larger than 1 um: nuclei are a few pixels wide, and neighbours merge.",
    ),
    Flag(
        "saturated_image",
        "Pixels stand at the top of the range: brightness and sharpness are cut off there.",
    ),
    Flag(
        "low_contrast",
        "The typical nucleus stands less than twice the pixel noise above its surround.",
    ),
    Flag(
        "count_depends_on_threshold",
        "The number of nuclei changes by more than a tenth when the threshold is moved by 30-40 %.",
    ),
    Flag(
        "close_neighbours",
        "More than a tenth of the nuclei lie nearer to each other than 1.2 diameters: some will "
        "have been missed or merged.",
    ),
    Flag("flat_image", "All pixels have one value: there is nothing to find."),
    Flag("missing_pixels", "Some pixels hold no number; they were taken as dark."),
    Flag("no_outline", "Tissue and surround could not be told apart."),
    Flag("too_few_cells", "Fewer cells in the window than a pattern needs."),
    Flag("wider_window", "The 100 um window holds too few cells: a wider one was graded."),
    Flag("pattern_ambiguous", "The pattern changes when cells are dropped or moved a little."),
    Flag(
        "near_pattern_border",
        "The pattern changes when the site is shifted as far as its place in the disc is unsure: "
        "it lies near a border between patterns.",
    ),
    Flag(
        "soft_image",
        "More than a seventh of the nuclei are hardly sharper than what is left out as out of "
        "focus: the image is soft, and nuclei in focus may have been left out.",
    ),
)
"""In the order of their bits."""
