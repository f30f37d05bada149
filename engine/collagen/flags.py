"""Flags of the height images: why a number is missing or to be read with care."""

from engine.flags import Flag

FLAGS: tuple[Flag, ...] = (
    Flag("all_nan", "The image holds no datum at all; nothing was computed.", excludes=True),
    Flag("constant", "All heights are equal; there is no surface to describe.", excludes=True),
    Flag("one_row", "The image is too few rows or columns across for areal parameters."),
    Flag("missing_data", "More than a hundredth of the pixels hold no datum."),
    Flag("spikes_masked", "Spikes were found and masked."),
    Flag("scars_masked", "Scars along the fast axis were found and masked."),
    Flag("lost_rows", "Rows without a measurement, or that repeat another, were masked."),
    Flag("heights_inverted", "Crests are sharper than valleys: the heights seem upside down."),
    Flag("unit_suspect", "Slopes are far from any relief: height or pixel may be in another unit."),
    Flag("filter_too_fine", "A filter finer than five pixels was asked for and not applied."),
    Flag("strong_row_jitter", "Row offsets carry more than a hundredth of the variance."),
    Flag("few_waves", "Sal exceeds a fifth of the window: it and Sq depend on the window."),
    Flag("lobe_at_edge", "The autocorrelation does not fall within half the window: no Str."),
    Flag("no_fibrils", "No fibril could be traced."),
    Flag("few_pieces", "Few pieces carry the thickness distribution; its tails are uncertain."),
    Flag("thin_in_pixels", "The median fibril is only a few pixels wide; thickness is uncertain."),
    Flag(
        "thin_tail_cut",
        "A tenth of the fibrils is but a few pixels wide: thinner ones are missing, "
        "thickness reads too large.",
    ),
    Flag("wide_interval", "The interval of the 95th percentile of thickness is wide."),
    Flag("radius_unknown", "The tip's apex radius is unknown: thickness reads too large."),
    Flag(
        "tip_blunter_than_stated",
        "Nothing is as sharp as the stated tip would show: it may be blunter, thickness too large.",
    ),
    Flag(
        "tip_sharper_than_stated",
        "Features are sharper than the stated tip can show: it is sharper, thickness too small.",
    ),
    Flag("not_resolvable", "The pixel is too coarse for axial bands; no period is given."),
    Flag("pooled_only", "The pixel allows a pooled band period only, none per fibril."),
    Flag("no_bands", "No axial banding stands out of the background."),
    Flag("band_vibration", "The period may be a vibration along the fast scan axis, not bands."),
    Flag("scan_vibration", "A wave of one length runs along the fast scan axis: a vibration."),
)
