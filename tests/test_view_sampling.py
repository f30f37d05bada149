import numpy as np
import pytest

from engine.footprint import Footprint
from engine.view import Box, HeightLayer, MosaicLayer, Paint, Painter, Scene
from engine.view.box import MAX_PIXELS
from engine.view.mosaic import contrast, draw_mosaic
from engine.view.picture import INK, PAPER
from engine.view.relief import ShadeCache, draw_height, shade_heights
from engine.view.tiles import TileCache

PIXEL_UM = 0.65
MIRRORED = [(turn, mirror) for turn in (0.0, 37.0, 90.0, 200.0) for mirror in (1.0, -1.0)]


def pyramid(image: np.ndarray) -> MosaicLayer:
    levels, pixel, origin = [image], [(PIXEL_UM, PIXEL_UM)], [(0.0, 0.0)]
    while min(levels[-1].shape) > 64:
        fine = levels[-1]
        rows, cols = fine.shape[0] // 2, fine.shape[1] // 2
        coarse = fine[: 2 * rows, : 2 * cols].reshape(rows, 2, cols, 2).mean(axis=(1, 3))
        levels.append(coarse.astype(np.uint16))
        k = len(levels) - 1
        pixel.append((PIXEL_UM * 2**k,) * 2)
        origin.append((PIXEL_UM * (2**k - 1) / 2,) * 2)
    return MosaicLayer("m", tuple(levels), tuple(pixel), tuple(origin), None, 100.0, 1100.0)


def footprint(
    turn_deg: float, mirror: float, centre: tuple[float, float], size: float
) -> Footprint:
    t = np.radians(turn_deg)
    u = np.array([np.cos(t), np.sin(t)])
    return Footprint(np.array(centre), u, mirror * np.array([-np.sin(t), np.cos(t)]), size, size)


def height_layer(height: np.ndarray, foot: Footprint) -> HeightLayer:
    return HeightLayer("h", "n1", foot, height.shape, lambda: height.astype(np.float32))


def centroid(weights: np.ndarray) -> tuple[float, float]:
    y, x = np.indices(weights.shape)
    return float((x * weights).sum() / weights.sum()), float((y * weights).sum() / weights.sum())


@pytest.mark.parametrize("um_per_px", [0.11, 0.65, 1.0, 2.9, 5.2])
def test_a_spot_of_the_mosaic_is_drawn_at_its_place_at_every_level(um_per_px: float) -> None:
    image = np.full((600, 600), 100, np.uint16)
    image[310:330, 200:220] = 1100
    place = (209.5 * PIXEL_UM, 319.5 * PIXEL_UM)
    box = Box(place[0] + 5 * um_per_px, place[1] - 3 * um_per_px, um_per_px, 300, 240)
    grey = np.zeros((240, 300), np.uint8)
    draw_mosaic(pyramid(image), box, TileCache(), grey)
    x, y = centroid(grey.astype(float))
    assert x == pytest.approx(149.5 - 5, abs=0.12)
    assert y == pytest.approx(119.5 + 3, abs=0.12)


def test_nothing_is_drawn_beyond_the_mosaic() -> None:
    grey = np.zeros((100, 100), np.uint8)
    layer = pyramid(np.full((80, 80), 1100, np.uint16))
    draw_mosaic(layer, Box(0.0, 0.0, PIXEL_UM, 100, 100), TileCache(), grey)
    # pixel (0, 0) is centred at the origin: half of the box, less half a pixel, is outside
    assert (grey[50:, 50:] == 255).all()
    assert (grey[:49] == 0).all()
    assert (grey[:, :49] == 0).all()
    away = np.zeros((100, 100), np.uint8)
    draw_mosaic(layer, Box(1e4, 0.0, PIXEL_UM, 100, 100), TileCache(), away)
    assert not away.any()


def test_contrast_keeps_odd_bright_pixels_from_darkening_the_rest() -> None:
    rng = np.random.default_rng(0)
    image = rng.normal(200, 5, (400, 400))
    image[5, 5] = 60_000
    low, high = contrast(image.astype(np.uint16))
    assert low == pytest.approx(200 - 2.05 * 5, abs=2)
    assert high < 230


@pytest.mark.parametrize(("turn", "mirror"), MIRRORED)
def test_heights_lie_where_the_footprint_says(turn: float, mirror: float) -> None:
    foot = footprint(turn, mirror, (50.0, 40.0), 4.0)
    height = np.zeros((200, 200))
    height[40:60, 130:150] = np.nan  # hatched; u about +0.8, v about -1.0
    box = Box(50.0, 40.0, 0.01, 700, 700)
    with_block, without = (np.zeros((700, 700), np.uint8) for _ in range(2))
    draw_height(height_layer(height, foot), box, ShadeCache(), with_block)
    draw_height(height_layer(np.zeros((200, 200)), foot), box, ShadeCache(), without)
    differs = np.abs(with_block.astype(float) - without) > 10
    x, y = foot.to_disc((139.5 + 0.5) / 200 * 4 - 2, (49.5 + 0.5) / 200 * 4 - 2)
    px, py = box.pixels_of(np.asarray(x), np.asarray(y))
    assert centroid(differs.astype(float)) == pytest.approx((float(px), float(py)), abs=1)
    assert differs.sum() == pytest.approx(40**2, rel=0.05)
    inside = without > 0
    corners = foot.corners()
    side = np.hypot(*(corners[1] - corners[0])) / 0.01
    assert inside.sum() == pytest.approx(side**2, rel=0.01)


@pytest.mark.parametrize(("turn", "mirror"), MIRRORED)
def test_light_comes_from_the_upper_left_however_an_image_lies(turn: float, mirror: float) -> None:
    foot = footprint(turn, mirror, (0.0, 0.0), 2.0)
    v, u = (np.mgrid[:128, :128] - 63.5) / 64
    dome = 300 * np.sqrt(np.clip(0.7**2 - u**2 - v**2, 0, None))
    grey = np.zeros((256, 256), np.uint8)
    draw_height(height_layer(dome, foot), Box(0, 0, 0.01, 256, 256), ShadeCache(), grey)
    i, j = np.indices(grey.shape) - 127.5
    lit = (i + j < -30) & (np.hypot(i, j) < 62)
    shaded = (i + j > 30) & (np.hypot(i, j) < 62)
    assert grey[lit].mean() > grey[shaded].mean() + 60


def test_missing_heights_are_hatched_and_not_a_shade() -> None:
    height = np.zeros((64, 64))
    height[:, 32:] = np.nan
    foot = footprint(0.0, 1.0, (0.0, 0.0), 1.0)
    grey = np.zeros((128, 128), np.uint8)
    draw_height(height_layer(height, foot), Box(0, 0, 1 / 128, 128, 128), ShadeCache(), grey)
    right = grey[10:-10, 70:-4]
    assert len(np.unique(right)) == 2
    stripes = [np.unique(np.diagonal(np.fliplr(right), k)) for k in (-9, 0, 9)]
    assert all(len(s) == 1 for s in stripes)  # along a stripe nothing changes


@pytest.mark.parametrize("period_nm", [60.0, 67.0, 75.0])
def test_bands_of_a_fibril_show_with_their_period(period_nm: float) -> None:
    v, u = np.mgrid[:512, :512] * 8.0  # 8 nm pixels
    height = 4.0 * np.cos(2 * np.pi * u / period_nm) + 0 * v
    foot = footprint(25.0, -1.0, (1000.0, 2000.0), 4.096)
    um_per_px = 0.002
    box = Box(1000.0, 2000.0, um_per_px, 512, 512)
    grey = np.zeros((512, 512), np.uint8)
    draw_height(height_layer(height, foot), box, ShadeCache(), grey)
    power = np.abs(np.fft.fft2(grey - grey.mean())) ** 2
    fy, fx = np.unravel_index(np.argmax(power), power.shape)
    found = np.hypot(np.fft.fftfreq(512)[fy], np.fft.fftfreq(512)[fx])
    assert um_per_px * 1e3 / found == pytest.approx(period_nm, rel=0.06)


def test_a_nanometre_keeps_its_place_far_from_the_origin() -> None:
    box = Box(3000.0, 2500.0, 1e-5, 800, 800)
    x, y = box.pixels_of(np.array([3000.0 + 1e-3]), np.array([2500.0 - 1e-3]))
    assert x[0] == pytest.approx(399.5 + 100, abs=1e-4)
    assert y[0] == pytest.approx(399.5 - 100, abs=1e-4)


def test_a_flat_or_empty_image_is_drawn_without_complaint() -> None:
    one = np.ones(2)
    for height in (np.zeros((40, 40)), np.full((40, 40), np.nan), np.zeros((1, 7))):
        image = shade_heights(height.astype(np.float32), (0.1, 0.1), one, one)
        assert np.isfinite(image.shades[0]).all()


def test_boxes_and_their_limits() -> None:
    with pytest.raises(ValueError, match="positive scale"):
        Box(0, 0, 0.0, 10, 10)
    with pytest.raises(ValueError, match="finite"):
        Box(float("inf"), 0, 1.0, 10, 10)
    with pytest.raises(ValueError, match=str(MAX_PIXELS)):
        Box(0, 0, 1.0, 10_000, 10_000)
    box = Box(10, 20, 0.5, 40, 20)
    assert (box.x0_um, box.y0_um, box.x1_um, box.y1_um) == (0, 15, 20, 25)


@pytest.mark.parametrize("dark", [True, False])
def test_an_empty_scene_is_paper(dark: bool) -> None:
    picture = Painter().draw(
        Scene("s", (0, 0, 1, 1)), Box(0, 0, 1, 30, 20), Paint(frozenset({"mosaic"}), dark)
    )
    assert (picture.grey == PAPER[dark]).all()
    assert picture.only_mosaic
    assert (picture.rgba()[..., :3] == PAPER[dark]).all()
    assert abs(INK[dark] - PAPER[dark]) > 200


def test_tiles_are_read_once_and_forgotten_at_the_limit() -> None:
    class Counted:
        def __init__(self, data: np.ndarray) -> None:
            self.data, self.reads = data, 0
            self.shape, self.dtype, self.chunks = data.shape, data.dtype, (64, 64)

        def __getitem__(self, at: tuple[slice, slice]) -> np.ndarray:
            self.reads += 1
            return self.data[at]

    level = Counted(np.random.default_rng(0).integers(0, 9999, (300, 260)).astype(np.uint16))
    cache = TileCache(kept_bytes=8 * 64 * 64 * 2)
    window = cache.window("a", level, None, slice(30, 150), slice(100, 255))
    np.testing.assert_array_equal(window, level.data[30:150, 100:255])
    reads = level.reads
    cache.window("a", level, None, slice(130, 150), slice(200, 255))
    assert level.reads == reads
    cache.window("a", level, None, slice(0, 300), slice(0, 260))
    assert cache.bytes <= 8 * 64 * 64 * 2
