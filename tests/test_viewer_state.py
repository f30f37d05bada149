import numpy as np
import pytest

from viewer.state import FIRST_LAYERS, MIN_UM_PER_PX, ViewState, make_region

SQUARE = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]


def test_the_same_wish_twice_is_two_flights() -> None:
    state = ViewState()
    seen = []
    state.param.watch(lambda event: seen.append(event.new), "flight")
    state.fly_to(1.0, 2.0, 0.5)
    state.fly_to(1.0, 2.0, 0.5)
    assert [flight.serial for flight in seen] == [1, 2]


def test_a_flight_is_clipped_to_what_can_be_shown() -> None:
    state = ViewState()
    state.fly_to(0, 0, 1e-12)
    assert state.flight is not None
    assert state.flight.um_per_px == MIN_UM_PER_PX
    with pytest.raises(ValueError, match="finite"):
        state.fly_to(float("nan"), 0, 1)
    with pytest.raises(ValueError, match="positive"):
        state.fly_to(0, 0, -1)


def test_regions_take_free_letters_and_the_last_is_replaced() -> None:
    state = ViewState(discs=["d"], disc="d")
    assert [state.add_region(SQUARE) for _ in range(5)] == ["A", "B", "C", "D", "D"]
    state.remove_region("B")
    assert state.add_region(SQUARE) == "B"
    assert list(state.regions) == ["A", "B", "C", "D"]
    assert state.tray_open


def test_regions_are_checked_and_read_only() -> None:
    with pytest.raises(ValueError, match="shape"):
        make_region("d", SQUARE[:2])
    with pytest.raises(ValueError, match="finite"):
        make_region("d", [(0, 0), (1, np.nan), (1, 1)])
    with pytest.raises(ValueError, match="read-only"):
        make_region("d", SQUARE).polygon_um[0, 0] = 1
    assert make_region("d", SQUARE) == make_region("d", np.array(SQUARE))
    assert make_region("d", SQUARE) != make_region("e", SQUARE)


def test_clearing_the_site_clears_the_curve_in_one_change() -> None:
    state = ViewState()
    state.select("b001", 12)
    changes = []
    state.param.watch(lambda *events: changes.append(len(events)), ["site", "curve"])
    state.select("", 5)
    assert (state.site, state.curve) == ("", None)
    assert changes == [2]


def test_layers_keep_their_order() -> None:
    state = ViewState()
    state.show_layer("cells", False)
    assert "cells" not in state.layers
    state.show_layer("cells", True)
    assert state.layers == list(FIRST_LAYERS)
    with pytest.raises(ValueError, match="fog"):
        state.show_layer("fog", True)


def test_box_is_of_true_aspect() -> None:
    state = ViewState(centre_x_um=100, centre_y_um=50, um_per_px=0.5, width_px=200, height_px=80)
    assert state.box_um() == (50.0, 30.0, 150.0, 70.0)
