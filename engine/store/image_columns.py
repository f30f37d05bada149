"""Columns of height images beyond the contract's: further texture, intervals, what they rest on."""

from engine.store.column import Column


def _aside(name: str, label: str, unit: str = "") -> Column:
    """Make a number that is looked up, not coloured by."""
    return Column(name, "number", label, unit, offered=False)


IMAGE_COLUMNS = (
    Column("Sp_nm", "number", "Sp", "nm"),
    Column("Sv_nm", "number", "Sv", "nm"),
    Column("Std_deg", "number", "Std", "°"),
    Column("Sk_nm", "number", "Sk", "nm"),
    Column("Spk_nm", "number", "Spk", "nm"),
    Column("Svk_nm", "number", "Svk", "nm"),
    Column("Smr1_pct", "number", "Smr1", "%"),
    Column("Smr2_pct", "number", "Smr2", "%"),
    Column("fibril_order_traced", "number", "fibril order, crossings not allowed for"),
    Column("orientation_correlation_nm", "number", "length over which directions agree", "nm"),
    Column("tip_radius_bound_nm", "number", "largest tip radius the image allows", "nm"),
    Column("masked_share", "number", "share of the image left out"),
    _aside("fibril_thickness_median_ci_low_nm", "fibril thickness, median, lower end", "nm"),
    _aside("fibril_thickness_median_ci_high_nm", "fibril thickness, median, upper end", "nm"),
    _aside("fibril_thickness_radius_sd_nm", "fibril thickness, error from the tip radius", "nm"),
    Column("band_amplitude_nm", "number", "height of the bands", "nm"),
    _aside("image_width_um", "width of the image", "µm"),
    _aside("image_height_um", "height of the image", "µm"),
    _aside("image_pixel_u_nm", "pixel along u", "nm"),
    _aside("image_pixel_v_nm", "pixel along v", "nm"),
    _aside("map_ground_width_um", "common ground of map and image, width", "µm"),
    _aside("map_ground_height_um", "common ground of map and image, height", "µm"),
    _aside("map_ground_pixel_nm", "common ground of map and image, pixel", "nm"),
)
"""Of the table ``sites``."""
