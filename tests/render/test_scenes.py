"""The demo's content pictures: committed files are what the script beside them draws, and left is left."""

import numpy as np
import pytest

from demo_scenes.make_drawings import DRAWINGS as README_DRAWINGS
from demo_scenes.make_scenes import DRAWINGS, SIZE_PX, TALL_SIZE_PX, scene_bytes
from prewarp.errors import RenderError
from prewarp.render.pictures import read_picture
from prewarp.render.scenes import SCENES, TALL, scene
from prewarp.resources import resource_folder, resource_path

# Fonts and outlines differ a little between releases of Pillow; the share of pixels that may.
SHARE_OF_PIXELS = 0.02


@pytest.mark.parametrize(
    ("name", "file", "size_px"),
    [
        *((name, file, SIZE_PX) for name, file in SCENES.items()),
        *((name, file, TALL_SIZE_PX) for name, file in TALL.items()),
    ],
)
def test_committed_pictures_are_what_the_generator_draws(name, file, size_px):
    committed = resource_path("demo_scenes", file)
    kept, drawn = read_picture(committed), DRAWINGS[name](size_px)
    assert drawn.shape == kept.shape == (size_px[1], size_px[0], 3)
    # 64 colours, or a JPEG, move shades by a few codes.
    assert np.mean(np.abs(drawn.astype(int) - kept).max(axis=-1) > 16) < SHARE_OF_PIXELS
    assert committed.stat().st_size < 300_000


def test_every_picture_is_a_scene_of_the_same_bytes_every_time():
    assert tuple(DRAWINGS) == tuple(SCENES)
    pictures = {path.name for path in resource_folder("demo_scenes").glob("*.[jp][pn]g")}
    assert pictures - {"demo_overview.png", *README_DRAWINGS} == {*SCENES.values(), *TALL.values()}
    for name in SCENES:
        assert scene_bytes(name, (160, 90)) == scene_bytes(name, (160, 90))


@pytest.mark.parametrize("name", SCENES)
def test_same_picture_every_time_and_at_any_size(name):
    first, second = (DRAWINGS[name]((320, 180)) for _ in range(2))
    assert first.shape == (180, 320, 3) and first.dtype == np.uint8
    np.testing.assert_array_equal(first, second)
    assert np.ptp(first) > 100


@pytest.mark.parametrize("name", SCENES)
def test_scene_fills_any_content_size_about_its_middle(name):
    full = scene(name, SIZE_PX)
    tall = scene(name, (540, 1080))
    assert tall.shape == (1080, 540, 3)
    if name not in TALL:
        assert np.array_equal(tall, full[:, 690:1230])
    assert scene(name, (333, 77)).shape == (77, 333, 3)


@pytest.mark.parametrize("size_px", [(1080, 1920), (720, 1920), (900, 900), (1100, 1000), (1920, 900)])
def test_no_word_is_cut(size_px):
    picture = scene("grid", size_px).astype(int)
    wide, high = SIZE_PX if size_px[0] > size_px[1] else TALL_SIZE_PX
    cell = max(size_px[0] / wide, size_px[1] / high) * wide / 32.0
    middle = 0.5 * np.array(size_px)
    # Words are 2.7 cells wide at most and one cell high.
    assert np.all(np.array([7.4 * cell, 5.5 * cell]) <= middle)
    for x, y in ((-6, 0), (6, 0), (2, -5), (2, 5), (-6, -5), (6, -5)):
        u, v = (middle + np.array([x, y]) * cell).astype(int)
        around = picture[int(v - 0.4 * cell) : int(v + 0.4 * cell), int(u - 0.9 * cell) : int(u + 0.9 * cell)]
        # Letters are near white.
        assert around.min(axis=-1).max() > 150


def test_ship_shows_green_on_the_left_and_red_on_the_right():
    """COLREGs 1972, rule 21 (from memory): port red, starboard green; towards us, red is right."""
    picture = scene("harbour", SIZE_PX).astype(int)
    above_water = picture[400:480, 950:1200]
    green = np.argwhere((above_water[..., 1] - above_water[..., 0]) > 120)[:, 1].mean()
    red = np.argwhere((above_water[..., 0] - above_water[..., 1]) > 120)[:, 1].mean()
    assert green + 100 < red


def test_unknown_scene():
    with pytest.raises(
        RenderError, match="no scene 'harbor'; expected one of grid, .*quay_by_day. Did you mean 'harbour'"
    ):
        scene("harbor", (64, 64))
