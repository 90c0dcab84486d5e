"""Photographs of a flat board by the simulator: a bare panel at a distance, seen through nothing."""

import numpy as np

from prewarp.capture.camera import pose_rotation
from prewarp.capture.photograph.bench import Bench
from prewarp.capture.photograph.images import CameraPose, View
from prewarp.capture.photograph.optics import TracedOptics
from prewarp.capture.photograph.pictures import add_picture, panel_map
from prewarp.capture.photograph.scene import Scene, discs
from prewarp.capture.photograph.sensor import values_of_light
from prewarp.module import Channel, Panel, Reach
from prewarp.trace.design import DesignChannel, PanelPlace, Surface

DISTANCE_MM = 300.0
# The board's panel: a mm is ten of its pixels.
PANEL = Panel(2000, 1500, 100.0, "power", 8, gamma=1.0)
PX_PER_MM = 10.0


def board_optics():
    """Return a board 300 mm ahead of the wearer's origin, 200 x 150 mm, facing it."""
    design = DesignChannel("board", (Surface(index=1.0),), PanelPlace(gap_mm=DISTANCE_MM))
    channel = Channel("board", "right", PANEL, Reach((-18.0, 18.0), (-14.0, 14.0)))
    return TracedOptics(design, channel, 550.0)


def poses(count, seed, *, aim=True):
    """Return camera places (n, 3) mm and turns (n, 3) deg that see the whole board from many sides."""
    random = np.random.default_rng(seed)
    place = random.uniform([-90.0, -70.0, -80.0], [90.0, 70.0, 40.0], (count, 3))
    away = np.array([0.0, 0.0, DISTANCE_MM]) - place
    yaw = np.degrees(np.arctan2(away[:, 0], away[:, 2])) if aim else np.zeros(count)
    pitch = np.degrees(np.arctan2(away[:, 1], np.hypot(away[:, 0], away[:, 2]))) if aim else np.zeros(count)
    turn = np.stack([yaw, pitch, random.uniform(-10.0, 10.0, count) if aim else np.zeros(count)], axis=-1)
    return place, turn + (random.uniform(-3.0, 3.0, (count, 3)) if aim else 0.0)


def dot_places(count, pitch_mm):
    """Return the panel places (n, 2), px, of a lattice about the board's middle, row by row."""
    u, v = (pitch_mm * PX_PER_MM * (np.arange(n) - (n - 1) / 2.0) for n in count)
    return np.stack(np.meshgrid(u + 1000.0, v + 750.0), axis=-1).reshape(-1, 2)


def dots_photograph(camera, place, turn, count, pitch_mm, radius_mm, bench, *, seed=0, white=0.7):
    """Return a photograph's values, and the truth of its dots."""
    view = View(
        camera, CameraPose(np.asarray(place, dtype=float), pose_rotation(*turn)), 1000.0 / DISTANCE_MM
    )
    marks = dot_places(count, pitch_mm)
    radius = np.full(len(marks), radius_mm * PX_PER_MM)
    scene = Scene(board_optics(), view, bench, "board", PANEL.size_px, marks, float(radius[0]))
    light = np.zeros((camera.height_px, camera.width_px))
    truth = scene.draw(light, discs(scene, radius, np.ones(len(marks))), white, drift_px=np.zeros(2))
    random = np.random.default_rng(seed)
    return values_of_light(light, camera, bench, exposure_ms=1.0, random=random), truth


def chessboard_photograph(camera, place, turn, squares, pitch_mm, bench, *, seed=0, samples=3):
    """Return a photograph's values of a chessboard of `squares` across and down."""
    view = View(
        camera, CameraPose(np.asarray(place, dtype=float), pose_rotation(*turn)), 1000.0 / DISTANCE_MM
    )
    side = int(pitch_mm * PX_PER_MM)
    v, u = np.indices((PANEL.height_px, PANEL.width_px))
    column, row = (u - 1000 + squares[0] * side // 2) // side, (v - 750 + squares[1] * side // 2) // side
    on_board = (column >= 0) & (column < squares[0]) & (row >= 0) & (row < squares[1])
    panel = np.where(on_board & ((column + row) % 2 == 0), 0.1, 1.0)
    light = np.zeros((camera.height_px, camera.width_px))
    mapped = panel_map(board_optics(), view)
    add_picture(
        light, mapped, view, bench, panel, 0.7, channel="board", drift_px=np.zeros(2), samples=samples
    )
    return values_of_light(light, camera, bench, exposure_ms=1.0, random=np.random.default_rng(seed))


__all__ = ["Bench", "board_optics", "chessboard_photograph", "dot_places", "dots_photograph", "poses"]
