"""The cells face's words on stains and on how the cells were found."""

from types import SimpleNamespace

import numpy as np
import pytest
from test_store_labels import STAINS, store  # noqa: F401 - the fixture

from viewer.card_cells import CellsFace
from viewer.card_facts import site_facts
from viewer.card_figures import look_of
from viewer.card_stains import found_html, stains_html
from viewer.library import Library


def facts(**row):
    values = {"flags": ""} | row
    return SimpleNamespace(
        row=values,
        number=lambda name: float(values.get(name, np.nan)),
        word=lambda name: values.get(name, ""),
    )


def test_every_stain_has_a_line_with_what_is_known():
    said = stains_html(
        facts(
            nuclei_window_counts=1285.4, nuclei_cells_counts=-3.2, nuclei_window_saturated=0.0,
            col_2_window_counts=np.nan, col_2_cells_counts=90.0, col_2_window_saturated=0.123,
            flags="no_surround;stain_saturated;site_off_disc",
        ),
        ["nuclei", "col<2"],
    )  # fmt: skip
    assert "<td>nuclei</td><td>1\N{NARROW NO-BREAK SPACE}285</td><td>\N{MINUS SIGN}3</td>" in said
    assert "<td>col&lt;2</td><td>–</td><td>90</td><td>12.3%</td>" in said
    assert "no surround" in said
    assert "stain saturated" in said
    assert "site off disc" not in said


def test_an_older_run_says_nothing_of_stains():
    assert stains_html(facts(), ["nuclei"]) == ""


@pytest.mark.parametrize(
    ("counts", "words"),
    [((120, 100, 97), "a change of up to 20.0%"), ((100, 100, 100), "no change")],
)
def test_the_count_at_three_thresholds_is_told(counts, words):
    said = found_html(
        {
            "counts": list(counts), "count_thresholds": [70.0, 100.0, 140.0],
            "method": "watershed", "note": "Crowded & clear.", "flags": "close_neighbours",
        }
    )  # fmt: skip
    assert "100 on the disc: touching nuclei split by watershed." in said
    assert f"at 0.7 or 1.4 times its setting there are {counts[0]} or {counts[2]}: {words}" in said
    assert "Crowded &amp; clear." in said
    assert "close neighbours" in said


def test_no_cell_and_no_counts():
    empty = {"counts": [0, 0, 0], "count_thresholds": [0.0, 0.0, 0.0], "method": "none"}
    assert "0 on the disc: nothing to find." in found_html(empty | {"flags": "no_nuclei"})
    assert found_html({"outline_um": np.empty((0, 2))}) == ""


def test_the_cells_face_shows_both(store):  # noqa: F811
    library = Library([store])
    face = CellsFace(look_of(True), library)
    face.show(site_facts(library, store.disc, "b001"))
    said = face._why.object
    assert "Stains of the window" in said
    assert all(f"<td>{name}</td>" in said for name in STAINS)
    assert "18 on the disc" in said
