"""Pictures of the card lie as the plane shows them, up to an eighth of a turn."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.footprint import Footprint
from viewer.card_turn import turn_of, turn_words


def footprint(angle_deg, mirrored):
    angle = np.radians(angle_deg)
    u = np.array([np.cos(angle), np.sin(angle)])
    v = np.array([-u[1], u[0]]) * (-1 if mirrored else 1)
    return Footprint(np.zeros(2), u, v, 4.0, 3.0)


@given(st.floats(-360, 360), st.booleans(), st.floats(-2, 2), st.floats(-1.5, 1.5))
def test_a_point_is_where_the_plane_has_it_up_to_the_rest_of_the_turn(angle, mirrored, u, v):
    foot = footprint(angle, mirrored)
    turn = turn_of(foot)
    assert abs(turn.rest_deg) <= 45 + 1e-9
    x, y = turn.points(u, v)
    disc_x, disc_y = foot.to_disc(u, v)
    on_plane = complex(disc_x, -disc_y) * np.exp(1j * np.radians(turn.rest_deg))
    assert complex(x, y) == pytest.approx(on_plane, abs=1e-9)


@given(st.floats(-360, 360), st.booleans())
def test_an_image_and_its_points_turn_alike(angle, mirrored):
    foot = footprint(angle, mirrored)
    turn = turn_of(foot)
    rows, cols = 3, 4
    image = np.arange(rows * cols).reshape(rows, cols)
    turned = turn.array(image)
    width, height = turn.size(foot.width_um, foot.height_um)
    assert turned.shape == (round(height), round(width))
    for row in range(rows):
        for col in range(cols):
            x, y = turn.points(col - 1.5, row - 1.0)  # one unit a pixel
            found = turned[round(float(y) + height / 2 - 0.5), round(float(x) + width / 2 - 0.5)]
            assert found == image[row, col]


def test_how_it_lies_is_told():
    assert turn_words(turn_of(footprint(0, True))) == "Lies as on the disc."
    # u points 13 degrees below the horizontal of the screen: the card has turned it back up
    assert (
        turn_words(turn_of(footprint(13, True))) == "Turned 13° counter-clockwise against the disc."
    )
