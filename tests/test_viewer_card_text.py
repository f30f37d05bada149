import numpy as np
import pytest

from engine.flags import Flag
from engine.view.ramps import ColourScale
from viewer.card_figures import histogram, legend_html, padded, round_length
from viewer.card_text import (
    DASH,
    decimals_for,
    flag_rows,
    flags_html,
    plain_number,
    plus_minus,
    split_flags,
    tip_words,
    value_and_interval,
    with_unit,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (312.4, "312"),
        (0.0123456, "0.0123"),
        (12345.6, "12\N{NARROW NO-BREAK SPACE}346"),
        (-0.172, "\N{MINUS SIGN}0.172"),
        (0.0, "0"),
        (float("nan"), DASH),
    ],
)
def test_a_number_has_three_digits_and_no_exponent(value, text):
    assert plain_number(value) == text


@pytest.mark.parametrize(("error", "decimals"), [(14.4, 0), (1.44, 1), (0.144, 2), (0.0144, 3)])
def test_an_uncertainty_shows_two_digits(error, decimals):
    assert decimals_for(error) == decimals
    assert len(f"{error:.{decimals}f}".replace(".", "").lstrip("0")) == 2


def test_value_and_interval_share_their_decimals():
    assert value_and_interval(312.44, 298.13, 326.9) == ("312", "298 to 327")
    assert value_and_interval(1.23456, 1.2211, 1.2481) == ("1.235", "1.221 to 1.248")


def test_no_value_gives_a_dash_and_no_interval():
    nan = float("nan")
    assert value_and_interval(nan, nan, nan) == (DASH, "")
    assert value_and_interval(5.0, nan, nan) == ("5.00", "")
    assert plus_minus(nan, 1.0, "kPa") == DASH
    assert with_unit(nan, "kPa") == DASH


def test_an_angle_stands_beside_its_sign():
    assert with_unit(149.0, "°") == "149°"
    assert with_unit(149.0, "nm") == "149\N{NO-BREAK SPACE}nm"


def test_a_flag_brings_its_sentence_and_whether_it_excludes():
    known = (Flag("no_contact", "It never touched.", True), Flag("spike", "A sample jumped."))
    rows = flag_rows(["spike", "no_contact", "unheard_of"], known)
    assert rows == [
        ("spike", "A sample jumped.", False),
        ("no contact", "It never touched.", True),
        ("unheard of", "", False),
    ]
    html = flags_html(rows)
    assert html.count("left out") == 1
    assert "It never touched." in html


def test_words_from_a_folder_cannot_become_markup():
    html = flags_html([("<script>", "<img src=x>", False)])
    assert "<script>" not in html
    assert "<img" not in html


def test_flags_of_an_empty_cell():
    assert split_flags(float("nan")) == []
    assert split_flags("") == []
    assert split_flags("a;b") == ["a", "b"]


@pytest.mark.parametrize(
    ("probe", "words"),
    [
        ({"shape": "sphere", "radius_um": 5.0}, "sphere, R 5 µm"),
        ({"shape": "paraboloid", "radius_um": 0.01}, "paraboloid, R 10 nm"),
        (
            {"shape": "cone", "radius_um": None, "half_angle_deg": 18.0},
            "cone, apex radius unknown, half-angle 18°",
        ),
    ],
)
def test_a_tip_is_told_with_its_sizes(probe, words):
    assert tip_words(probe) == words


def test_bars_hold_every_value_those_beyond_the_ends_too():
    values = np.array([-5.0, 0.0, 0.5, 1.0, 9.0])
    bars = histogram(values, 0.0, 1.0, 4)
    assert bars["top"].sum() == len(values)
    assert bars["top"][0] == 2
    assert bars["top"][-1] == 2


def test_weights_of_a_histogram_are_kept_whole():
    rng = np.random.default_rng(0)
    values, lengths = rng.uniform(40, 140, 200), rng.uniform(0.1, 1, 200)
    bars = histogram(values, 40, 140, 16, lengths)
    assert bars["top"].sum() == pytest.approx(lengths.sum())


@pytest.mark.parametrize(("most", "length"), [(411.0, 200.0), (500.0, 500.0), (0.19, 0.1)])
def test_a_scale_bar_is_one_two_or_five(most, length):
    assert round_length(most) == pytest.approx(length)


def test_a_range_leaves_out_what_is_not_finite():
    low, high = padded([1.0, np.nan, 3.0, np.inf], 0.1)
    assert (low, high) == pytest.approx((0.8, 3.2))
    assert np.isnan(padded([np.nan])).all()


def test_a_legend_says_its_ends_its_name_and_its_unit():
    html = legend_html(ColourScale("stiffness", 35.0, 60.0, False, "apparent modulus", "kPa"))
    for words in (">35<", ">60<", "apparent modulus (kPa)", "linear-gradient"):
        assert words in html
