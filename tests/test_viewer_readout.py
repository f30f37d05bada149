"""What is read out under the pointer: the value of the picture's own cell or pixel, or nothing."""

import maps_kit as kit
import pytest

from viewer.gallery import Gallery
from viewer.library import Library
from viewer.look import Look
from viewer.readout import read_out
from viewer.site_maps import site_maps

DISC = "tiny-1"
NEAR = 0.01
HEIGHTS = frozenset({"heights"})


@pytest.fixture(scope="module")
def gallery(tmp_path_factory):
    return Gallery(Library.open([kit.make_store(tmp_path_factory.mktemp("readout"))]))


def place(gallery, row, col, site="n001"):
    foot = gallery.scene(DISC).sites[site]
    return (float(w) for w in foot.grid(kit.ROWS, kit.COLS)[row, col])


def told(gallery, x, y, *, scale=NEAR, layers=HEIGHTS, **choice):
    return read_out(gallery, DISC, Look(layers, "sites.pattern", **choice), x, y, scale)


@pytest.mark.parametrize(
    ("choice", "words", "unit"),
    [
        ("modulus", "modulus", "kPa"),
        ("adhesion", "adhesion", "nN"),
        ("height", "surface", "nm"),
        ("shaded", "surface", "nm"),
    ],
)
def test_a_map_tells_the_value_of_the_cell(gallery, choice, words, unit):
    values = site_maps(gallery.library, DISC, "n001").shown(choice, 1.5)
    x, y = place(gallery, 9, 13)
    text = told(gallery, x + 0.02, y, site_map=choice, load="1.5")
    assert text.startswith(words)
    assert text.endswith(unit)
    assert float(text.split()[-2].replace("\N{MINUS SIGN}", "-")) == pytest.approx(
        values[9, 13], rel=0.01
    )


def test_a_missing_curve_has_no_value(gallery):
    x, y = place(gallery, *divmod(kit.UNTOUCHED, kit.COLS))
    assert told(gallery, x, y, site_map="modulus") == "modulus no value"


def test_a_height_image_tells_the_height_of_the_pixel(gallery):
    foot = gallery.scene(DISC).sites["n001"]
    heights = gallery.library.detail(DISC, "n001")["levelled_nm"]
    x, y = (float(w) for w in foot.pixel_centres(*heights.shape)[31, 207])
    text = told(gallery, x, y)
    assert float(text.split()[1]) == pytest.approx(heights[31, 207], rel=0.01)
    assert text.startswith("height ")
    assert text.endswith(" nm")


def test_nothing_is_told_where_nothing_is_shown(gallery):
    x, y = place(gallery, 9, 13)
    assert told(gallery, x, y, layers=frozenset({"mosaic"})) == ""
    assert told(gallery, x, y, scale=1.0) == ""  # a few pixels: nobody can mean a cell
    assert told(gallery, x + 20, y) == ""
    beside = told(gallery, *place(gallery, 0, 0, "b001"))
    assert beside == ""
