"""What the numbers of images rest on, from the kernel through the site table to the cautions."""

import numpy as np
import pandas as pd
import pytest
import tray_kit as kit

from engine.collagen import Basis, unlike
from engine.image_basis import FILTERS, SIZES, bases_of, basis_columns, rests_on, unlike_images
from viewer.library import Library
from viewer.regions_data import RegionCounter, cautions_of, site_quantities, tray_numbers
from viewer.scatter_data import pair_sites, pairings
from viewer.scatter_words import unlike_cautions
from viewer.state import make_region

FINE = Basis(4000.0, 4000.0, 8.0, 8.0, ("plane",), ())
OTHERS = {
    "window": Basis(8000.0, 4000.0, 8.0, 8.0, ("plane",), ()),
    "pixel": Basis(4000.0, 4000.0, 8.0, 16.0, ("plane",), ()),
    "levelling": Basis(4000.0, 4000.0, 8.0, 8.0, ("plane", "quadratic"), ()),
    "filters": Basis(4000.0, 4000.0, 8.0, 8.0, ("plane",), ("S 40 nm", "L 800 nm")),
}


def table(*bases):
    rows = [basis_columns(b) if b else dict.fromkeys(SIZES, np.nan) | {FILTERS: ""} for b in bases]
    return pd.DataFrame(rows).assign(site=[f"n{i}" for i in range(len(bases))])


def test_columns_read_back_as_what_was_written():
    bases = [FINE, None, *OTHERS.values()]
    assert bases_of(table(*bases)) == bases
    assert table(OTHERS["filters"])[FILTERS][0] == "plane;S 40 nm;L 800 nm"


@pytest.mark.parametrize("part", OTHERS)
def test_each_part_is_named_with_the_number_of_images(part):
    (said,) = unlike([FINE, OTHERS[part], FINE])
    assert said.startswith(f"Images differ in {part} (")
    assert ": 2; " in said
    assert ": 1): " in said


def test_alike_images_and_single_ones_are_not_blamed():
    assert unlike([FINE, Basis(4020.0, 4000.0, 8.05, 8.0, ("plane",), ())]) == ()
    assert unlike([FINE]) == unlike([]) == ()


@pytest.mark.parametrize(
    ("quantity", "parts"),
    [
        ("Sq_nm", set(OTHERS)),
        ("Sdr_pct", set(OTHERS)),
        ("Sq_plane_nm", {"window", "pixel"}),
        ("fibril_thickness_median_nm", {"pixel"}),
        ("fibril_length_um", {"window", "pixel"}),
        ("modulus_kPa", set()),
    ],
)
def test_only_what_a_quantity_rests_on_is_said(quantity, parts):
    mixed = table(FINE, *OTHERS.values())
    said = unlike_images(mixed, quantity)
    assert {sentence.split()[3] for sentence in said} == parts == set(rests_on(quantity))


def test_tables_of_earlier_runs_say_nothing():
    assert unlike_images(pd.DataFrame({"site": ["n1", "n2"]}), "Sq_nm") == ()


@pytest.fixture
def library(tmp_path):
    """A disc whose first image was scanned with twice the pixel."""
    disc = kit.store(tmp_path / "d1")
    frame = disc.tables["sites"]
    image = (frame["kind"] == "nano-image").to_numpy()
    first = frame["site"] == "n000"
    basis = basis_columns(FINE)
    for name in SIZES:
        frame[name] = np.where(image, basis[name], np.nan)
    frame.loc[first, ["image_pixel_u_nm", "image_pixel_v_nm"]] = 16.0
    frame[FILTERS] = np.where(image, basis[FILTERS], "")
    return Library([disc])


def test_tray_says_that_images_are_unlike(library):
    regions = {"A": make_region("d1", kit.LEFT), "B": make_region("d1", kit.RIGHT)}

    def said(quantity):
        counter = RegionCounter(library)
        return cautions_of(tray_numbers(library, counter, regions, {}, f"sites.{quantity}"))

    (pixel,) = [s for s in said("fibril_thickness_median_nm") if s.startswith("Images differ")]
    assert "8 × 8 nm: 7; 16 × 16 nm: 1" in pixel
    assert not [s for s in said("modulus_kPa") if s.startswith("Images differ")]


def test_scatter_says_that_images_are_unlike(library):
    names = ("fibril_thickness_median_nm", "modulus_kPa")
    table = library.sites()
    way = next(iter(pairings(table, *names).values()))
    pairs = pair_sites(table, *names, way, 100.0)
    (said,) = unlike_cautions(pairs, *names, table)
    assert "pixel" in said
    assert unlike_cautions(pairs, "modulus_kPa", "modulus_kPa", table) == ()


def test_sizes_of_images_are_no_quantity_to_compare(library):
    offered = {name for group in site_quantities(library).values() for name in group.values()}
    assert "fibril_thickness_median_nm" in offered
    assert not offered & set(SIZES)
