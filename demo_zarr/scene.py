"""What lies where on an invented disc: outline, degeneration, directions, stiffness, stage."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from demo_zarr.recipe import DiscRecipe

FloatArray = npt.NDArray[np.float64]

_WAVES = 24


@dataclass(frozen=True)
class SmoothField:
    """A random field of unit variance: a sum of plane waves, so that it is known everywhere.

    Attributes
    ----------
    wave_x, wave_y
        Wave vectors, radians a length unit, shape (waves,).
    phase
        Phases, shape (waves,).
    """

    wave_x: FloatArray
    wave_y: FloatArray
    phase: FloatArray

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike) -> FloatArray:
        """Value at positions of any (common) shape."""
        first, second = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        total = np.zeros(np.broadcast_shapes(first.shape, second.shape))
        for wave_x, wave_y, phase in zip(self.wave_x, self.wave_y, self.phase, strict=True):
            total += np.cos(wave_x * first + wave_y * second + phase)
        return total * np.sqrt(2.0 / self.phase.size)


def smooth_field(
    rng: np.random.Generator, shortest: float, longest: float, waves: int = _WAVES
) -> SmoothField:
    """Draw a random field with wavelengths between two lengths.

    Parameters
    ----------
    rng
        Source of chance.
    shortest, longest
        Wavelengths, in the unit in which the field will be asked.
    waves
        Number of plane waves.
    """
    number = 2 * np.pi / np.exp(rng.uniform(np.log(shortest), np.log(longest), waves))
    angle = rng.uniform(0, 2 * np.pi, waves)
    phase = rng.uniform(0, 2 * np.pi, waves)
    return SmoothField(number * np.cos(angle), number * np.sin(angle), phase)


@dataclass(frozen=True)
class Scene:
    """One disc's truth in the disc frame (micrometres, y downwards).

    Attributes
    ----------
    recipe
        The numbers it was made from.
    centre_um
        Centre of the disc; both coordinates are the same.
    side_px
        Rows and columns of the mosaic.
    stage_matrix, stage_offset_um
        Stage position = matrix @ disc position + offset.
    """

    recipe: DiscRecipe
    centre_um: float
    side_px: int
    stage_matrix: FloatArray
    stage_offset_um: FloatArray
    _front: SmoothField
    _direction: SmoothField
    _stiffness: SmoothField
    _rim: FloatArray

    def radius_um(self, angle: npt.ArrayLike) -> FloatArray:
        """Radius of the outline at angles (radians) round the centre."""
        turn = np.asarray(angle, dtype=np.float64)
        orders = np.arange(2, 2 + self._rim.shape[0])
        waves = np.cos(turn[..., None] * orders + self._rim[:, 1]) * self._rim[:, 0]
        return np.asarray(self.recipe.diameter_um / 2.0 * (1.0 + waves.sum(axis=-1)))

    def depth_um(self, x: npt.ArrayLike, y: npt.ArrayLike) -> FloatArray:
        """How far within the outline positions lie, along the radius; negative outside."""
        dx, dy = np.asarray(x) - self.centre_um, np.asarray(y) - self.centre_um
        return self.radius_um(np.arctan2(dy, dx)) - np.hypot(dx, dy)

    def damage(self, x: npt.ArrayLike, y: npt.ArrayLike, lead_um: float = 0.0) -> FloatArray:
        """Degeneration, 0 to 1, of what runs ``lead_um`` ahead of the cells."""
        first, second = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        turn = np.deg2rad(self.recipe.front_deg)
        along = (first - self.centre_um) * np.cos(turn) + (second - self.centre_um) * np.sin(turn)
        along = along + 90.0 * self._front.at(first, second)
        width = self.recipe.front_width_um
        return np.asarray(1.0 / (1.0 + np.exp(-(along - self.recipe.front_um + lead_um) / width)))

    def direction(self, x: npt.ArrayLike, y: npt.ArrayLike) -> FloatArray:
        """Direction of strings and fibrils, radians from +x towards +y (downwards)."""
        across = np.deg2rad(self.recipe.front_deg) + 1.1
        return np.asarray(across + 0.28 * self._direction.at(x, y))

    def modulus_kPa(self, x: npt.ArrayLike, y: npt.ArrayLike) -> FloatArray:
        """Young's modulus of the tissue under the bead, without the point's own scatter."""
        damage = self.damage(x, y, self.recipe.stiffness_lead_um)
        fall = np.log(self.recipe.soft_kPa / self.recipe.firm_kPa)
        return np.asarray(
            self.recipe.firm_kPa * np.exp(fall * damage + 0.10 * self._stiffness.at(x, y))
        )

    def to_stage(self, xy_um: FloatArray) -> FloatArray:
        """Stage positions of disc positions, shape (n, 2)."""
        return np.asarray(xy_um @ self.stage_matrix.T + self.stage_offset_um)

    def to_disc(self, xy_um: FloatArray) -> FloatArray:
        """Disc positions of stage positions, shape (n, 2)."""
        return np.asarray((xy_um - self.stage_offset_um) @ np.linalg.inv(self.stage_matrix).T)

    def site_points(
        self, stage_xy_um: FloatArray, rotation_deg: float, u_um: FloatArray, v_um: FloatArray
    ) -> FloatArray:
        """Disc positions, shape (n, 2), of points given in a site's own frame."""
        turn = np.deg2rad(rotation_deg)
        x = stage_xy_um[0] + u_um * np.cos(turn) - v_um * np.sin(turn)
        y = stage_xy_um[1] + u_um * np.sin(turn) + v_um * np.cos(turn)
        return self.to_disc(np.column_stack([x.ravel(), y.ravel()]))


def part_rng(recipe: DiscRecipe, part: int) -> np.random.Generator:
    """Source of chance of one part of a disc, independent of the other parts."""
    return np.random.default_rng(np.random.SeedSequence([recipe.seed, part]))


def _stage_matrix(recipe: DiscRecipe) -> FloatArray:
    stage = recipe.stage
    turn = np.deg2rad(stage.rotation_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    mirror = np.diag([1.0, -1.0 if stage.mirrored else 1.0])
    return np.asarray(rotation @ np.diag([stage.scale_x, stage.scale_y]) @ mirror)


def make_scene(recipe: DiscRecipe) -> Scene:
    """Draw a disc's fields from its recipe.

    Parameters
    ----------
    recipe
        The disc's numbers.

    Returns
    -------
    Scene
        The same for the same recipe.
    """
    rng = part_rng(recipe, 0)
    centre = recipe.diameter_um / 2.0 + recipe.margin_um
    orders = 5
    rim = np.column_stack([rng.normal(0, 0.004, orders), rng.uniform(0, 2 * np.pi, orders)])
    return Scene(
        recipe=recipe,
        centre_um=centre,
        side_px=int(np.ceil(2 * centre / recipe.pixel_um)),
        stage_matrix=_stage_matrix(recipe),
        stage_offset_um=np.array(recipe.stage.offset_um),
        _front=smooth_field(rng, 700.0, 1800.0),
        _direction=smooth_field(rng, 1200.0, 3000.0),
        _stiffness=smooth_field(rng, 60.0, 500.0),
        _rim=rim,
    )
