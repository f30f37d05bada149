"""The result tables' columns: names, kinds, units and meanings, in the order they are written."""

from engine.store.column import Column as Column
from engine.store.column import Kind as Kind
from engine.store.image_columns import IMAGE_COLUMNS as IMAGE_COLUMNS
from engine.store.map_columns import CURVE_COLUMNS, MAP_COLUMNS, MAP_TABLES

SCHEMA_VERSION = "1"


def _text(*names: str) -> tuple[Column, ...]:
    return tuple(Column(n, "text", n.replace("_", " ")) for n in names)


def _pattern_columns() -> tuple[Column, ...]:
    patterns = ("string", "double_string", "small_cluster", "big_cluster", "diffuse")
    return tuple(
        Column(f"fraction_{p}", "number", f"share of cells: {p.replace('_', ' ')}")
        for p in patterns
    )


_SITES = (
    *_text("disc", "donor", "site", "kind", "probe"),
    Column("x_um", "number", "x", "µm"),
    Column("y_um", "number", "y", "µm"),
    Column("rotation_deg", "number", "direction of u", "°"),
    Column("in_disc", "truth", "on the tissue"),
    Column("curves_total", "count", "curves of the map"),
    Column("curves_used", "count", "curves used"),
    Column("modulus_kPa", "number", "apparent indentation modulus", "kPa"),
    Column("modulus_ci_low_kPa", "number", "modulus, lower end of the 95 % interval", "kPa"),
    Column("modulus_ci_high_kPa", "number", "modulus, upper end of the 95 % interval", "kPa"),
    Column("modulus_geomean_kPa", "number", "modulus, geometric mean", "kPa"),
    Column("modulus_iqr_kPa", "number", "modulus, interquartile range", "kPa"),
    Column("modulus_syst_rel", "number", "modulus, uncertainty shared by the probe"),
    Column("indentation_nm", "number", "indentation", "nm"),
    Column("exponent", "number", "free exponent"),
    Column("adhesion_nN", "number", "adhesion", "nN"),
    Column("dissipation", "number", "dissipation, lost / loading work"),
    Column("pattern", "text", "cell pattern"),
    Column("pattern_confidence", "number", "confidence of the pattern"),
    Column("pattern_index", "number", "pattern index"),
    Column("pattern_window_um", "number", "side of the cell window", "µm"),
    Column("cells_in_window", "count", "cells in the window"),
    Column("cell_density_per_mm2", "number", "cell density", "1/mm²"),
    *_pattern_columns(),
    Column("Sa_nm", "number", "Sa", "nm"),
    Column("Sq_nm", "number", "Sq", "nm"),
    Column("Sz_nm", "number", "Sz", "nm"),
    Column("Ssk", "number", "Ssk"),
    Column("Sku", "number", "Sku"),
    Column("Sdq", "number", "Sdq"),
    Column("Sdr_pct", "number", "Sdr", "%"),
    Column("Sal_nm", "number", "Sal", "nm"),
    Column("Str", "number", "Str"),
    Column("Sq_plane_nm", "number", "Sq, plane removed only", "nm"),
    Column("fibril_thickness_mean_nm", "number", "fibril thickness, mean", "nm"),
    Column("fibril_thickness_median_nm", "number", "fibril thickness, median", "nm"),
    Column("fibril_thickness_p95_nm", "number", "fibril thickness, 95th percentile", "nm"),
    Column(
        "fibril_thickness_p95_ci_low_nm",
        "number",
        "fibril thickness, 95th percentile, lower end",
        "nm",
    ),
    Column(
        "fibril_thickness_p95_ci_high_nm",
        "number",
        "fibril thickness, 95th percentile, upper end",
        "nm",
    ),
    Column("fibril_length_um", "number", "traced fibril length", "µm"),
    Column("fibril_junctions_per_um2", "number", "apparent junctions", "1/µm²"),
    Column("fibril_order", "number", "fibril order"),
    Column("fibril_angle_deg", "number", "fibril direction", "°"),
    Column("band_period_nm", "number", "band period", "nm"),
    Column("band_period_se_nm", "number", "band period, standard error", "nm"),
    Column("band_fraction", "number", "share of length with bands"),
    Column("band_resolvable", "truth", "bands resolvable at this pixel size"),
    *_text("flags"),
)

_CURVES = (
    *_text("disc", "site"),
    Column("row", "count", "row"),
    Column("col", "count", "column"),
    Column("x_um", "number", "x", "µm"),
    Column("y_um", "number", "y", "µm"),
    Column("modulus_kPa", "number", "apparent indentation modulus", "kPa"),
    Column("modulus_se_kPa", "number", "modulus, standard error", "kPa"),
    Column("contact_z_um", "number", "contact position of the drive", "µm"),
    Column("indentation_nm", "number", "indentation", "nm"),
    Column("force_nN", "number", "largest force", "nN"),
    Column("rmse_nN", "number", "residual of the fit", "nN"),
    Column("exponent", "number", "free exponent"),
    Column("adhesion_nN", "number", "adhesion", "nN"),
    Column("dissipation", "number", "dissipation, lost / loading work"),
    Column("used", "truth", "used"),
    *_text("flags"),
)

_CELLS = (
    *_text("disc"),
    Column("cell", "count", "cell"),
    Column("x_um", "number", "x", "µm"),
    Column("y_um", "number", "y", "µm"),
    Column("diameter_um", "number", "nuclear diameter", "µm"),
    Column("cell_group", "count", "group"),
    Column("pattern", "text", "cell pattern"),
    Column("pattern_confidence", "number", "confidence of the pattern"),
    Column("neighbours", "count", "linked neighbours"),
    Column("nn_distance_um", "number", "distance to the nearest cell", "µm"),
)

_CELL_GROUPS = (
    *_text("disc"),
    Column("cell_group", "count", "group"),
    Column("pattern", "text", "cell pattern"),
    Column("pattern_confidence", "number", "confidence of the pattern"),
    Column("cells", "count", "cells"),
    Column("x_um", "number", "x", "µm"),
    Column("y_um", "number", "y", "µm"),
    Column("length_um", "number", "length", "µm"),
    Column("width_um", "number", "width", "µm"),
    Column("angle_deg", "number", "direction", "°"),
)

_FIBRILS = (
    *_text("disc", "site"),
    Column("fibril", "count", "traced piece"),
    Column("x_um", "number", "x", "µm"),
    Column("y_um", "number", "y", "µm"),
    Column("length_nm", "number", "traced length", "nm"),
    Column("thickness_nm", "number", "thickness", "nm"),
    Column("thickness_se_nm", "number", "thickness, standard error", "nm"),
    Column("angle_deg", "number", "direction", "°"),
    Column("band_period_nm", "number", "band period", "nm"),
    Column("band_snr", "number", "band peak over background"),
)

_CLIPS = (
    *_text("disc", "clip"),
    Column("frames", "count", "frames"),
    Column("frames_sharp", "count", "sharp frames"),
    Column("frames_joined", "count", "frames joined to one picture"),
    Column("sharpest_frame", "count", "sharpest frame"),
    Column("focus_best", "number", "focus score of the sharpest frame"),
    Column("path_residual_px", "number", "residual of the path, a component", "px"),
    Column("pixel_um", "number", "pixel", "µm"),
    Column("area_mm2", "number", "area of the mosaic", "mm²"),
    Column("cells", "count", "cells in the mosaic"),
    Column("verdict", "text", "pattern named, none where nothing can be said"),
    Column("support", "number", "support of the pattern under resampled groups"),
    Column("share_string", "number", "share of cells: strings, single or double"),
    Column("share_cluster", "number", "share of cells: clusters, small or big"),
    Column("share_diffuse", "number", "share of cells: diffuse"),
    *_text("reason", "flags"),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "sites": _SITES,
    "curves": _CURVES,
    "cells": _CELLS,
    "cell_groups": _CELL_GROUPS,
    "fibrils": _FIBRILS,
}
"""Columns every consumer may rely on, a table a key; tables may carry further columns."""


def _surface_columns() -> tuple[Column, ...]:
    heights = ("Sa", "Sq", "Sz", "Sal")
    found: list[Column] = []
    for word, said in (
        ("zero_force", "at zero force"),
        ("at_load", "at the trigger"),
        ("image_alike", "of the height image, brought to the map's grid"),
    ):
        found += [Column(f"{name}_{word}_nm", "number", f"{name} {said}", "nm") for name in heights]
        found += [
            Column(f"Sdq_{word}", "number", f"Sdq {said}"),
            Column(f"Sdr_{word}_pct", "number", f"Sdr {said}", "%"),
            Column(
                f"fibril_thickness_median_{word}_nm",
                "number",
                f"fibril thickness, median, {said}",
                "nm",
            ),
        ]
    return tuple(found)


FURTHER: dict[str, tuple[Column, ...]] = {
    "curves": (
        Column("contact_height_nm", "number", "height of the surface", "nm"),
        *CURVE_COLUMNS,
    ),
    "sites": (
        Column("position_se_um", "number", "position, error to expect", "µm"),
        Column("position_95_um", "number", "position, radius of 95 %", "µm"),
        Column("pattern_stability", "number", "pattern kept when the site is shifted"),
        Column("pattern_index_position_sd", "number", "pattern index, spread by position"),
        *_surface_columns(),
        *IMAGE_COLUMNS,
        Column("at_load_nN", "number", "load at the trigger", "nN"),
        Column("image_load_nN", "number", "load that explains the height image best", "nN"),
        Column("contact_height_noise_nm", "number", "standard error of a contact height", "nm"),
        Column(
            "map_image_correlation",
            "number",
            "contact heights against the height image, correlation",
        ),
        Column("map_image_scale", "number", "contact heights against the height image, scale"),
        Column(
            "map_image_shift_u_nm", "number", "place of the map in the height image along u", "nm"
        ),
        Column(
            "map_image_shift_v_nm", "number", "place of the map in the height image along v", "nm"
        ),
        Column("map_image_drift_nm", "number", "drift of the map against the height image", "nm"),
        Column("modulus_model", "text", "contact law"),
        Column("modulus_layer", "text", "layer the law is corrected for"),
        Column("modulus_depth_share", "number", "share of the indentation that is fitted"),
        Column("modulus_poisson_ratio", "number", "Poisson ratio"),
        *MAP_COLUMNS,
    ),
}
"""Labels and units of columns beyond the contract's; a run need not have them."""

FURTHER_TABLES: dict[str, tuple[Column, ...]] = MAP_TABLES | {"clips": _CLIPS}
"""Tables beyond the contract's; a run need not have them."""
ALL_TABLES: dict[str, tuple[Column, ...]] = TABLES | FURTHER_TABLES

_OF_STAINS: tuple[tuple[str, str, str], ...] = (
    ("_mean_counts", "{} at the nucleus", "counts"),
    ("_rim_counts", "{} round the nucleus", "counts"),
    ("_ground_counts", "{}, ground", "counts"),
    ("_saturated", "{}, share of the cell saturated", ""),
    ("_window_counts", "{} in the window", "counts"),
    ("_cells_counts", "{} at the window's nuclei", "counts"),
    ("_window_saturated", "{}, share of the window saturated", ""),
)
"""How columns of a stain end; the longest match counts, and the stain's name stands before."""


def of_stain(name: str) -> Column | None:
    """Describe a column of a stain by its ending; None for another one.

    Examples
    --------
    >>> of_stain("live_mean_counts").label
    'live at the nucleus'
    """
    fitting = [end for end in _OF_STAINS if name.endswith(end[0]) and name != end[0]]
    if not fitting:
        return None
    end, label, unit = max(fitting, key=lambda entry: len(entry[0]))
    return Column(name, "number", label.format(name[: -len(end)].replace("_", " ")), unit)


def column(table: str, name: str) -> Column:
    """One column of a table; one that no list names gets a label made from its name.

    Raises
    ------
    ValueError
        If there is no such table.
    """
    if table not in ALL_TABLES:
        raise ValueError(f"table must be one of {', '.join(ALL_TABLES)}, got {table!r}")
    for candidate in (*ALL_TABLES[table], *FURTHER.get(table, ())):
        if candidate.name == name:
            return candidate
    return of_stain(name) or Column(name, "number", name.replace("_", " "))
