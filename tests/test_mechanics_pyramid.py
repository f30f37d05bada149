import numpy as np
import pyramid_elements
import pytest

from engine.mechanics import Layer, Tip, contact_force
from engine.mechanics.tables import law_force, layer_ratio


@pytest.mark.parametrize(("base", "poisson_ratio"), [("bonded", 0.5), ("sliding", 0.4)])
def test_a_pyramid_on_a_layer_by_boundary_elements(base, poisson_ratio):
    tip, depth = Tip("pyramid", None, 20.0), np.array([1.0])
    for ratio, bar in ((0.1, 5e-4), (0.35, 3e-3), (0.5, 8e-3)):
        thickness = float(layer_ratio(depth, tip, 1.0)[0]) / ratio
        half, found = pyramid_elements.forces(
            1.0, np.tan(np.radians(20)), thickness, poisson_ratio, base, cells=22
        )
        assert half == pytest.approx(contact_force(depth, tip)[0], rel=2e-3)
        factor = law_force(depth, tip, Layer(thickness, poisson_ratio, base)) / contact_force(
            depth, tip
        )
        # cells and all, the ratio of the two forces is what the layer does
        assert found / half == pytest.approx(factor[0], rel=bar)
