"""Beside OpenCV on the same photograph: blob detector with a lattice walk, thresholded moments, circle
grid.
"""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from tests.capture.discs import Lens, Scene
from tests.capture.extraction import outcome

cv2 = pytest.importorskip("cv2")
pytestmark = pytest.mark.outside

DOTS = 17


@pytest.fixture(scope="module")
def seen():
    """A scene with a ghost of 5 % beside each dot, its first photograph, and what extraction makes of it."""
    scene = Scene(lens=Lens(k=-0.2), ghost=0.05, ghost_px=(30.0, 2.0), radius_px=10.0, seed=4)
    photographs = scene.frames()
    return scene, photographs[0], outcome(scene, photographs)


def grey(photograph):
    """Return a photograph as 8 bits, as OpenCV's finders take them; its first pixel's centre is (0, 0)."""
    return np.clip((photograph.astype(float) - 95.0) / 9.0, 0.0, 255.0).astype(np.uint8)


def rms_of(places, scene):
    """Return RMS by axis and the share of dots found, each place given to the nearest true one within 3
    px.
    """
    distance, near = cKDTree(places).query(scene.place)
    fine = distance < 3.0
    error = places[near[fine]] - scene.place[fine]
    return float(np.sqrt(np.mean(error**2))), float(fine.mean())


def lattice_walk(places):
    """Return how many places a walk from the middle one along rows and columns gives a name to."""
    tree = cKDTree(places)
    start = int(tree.query(np.median(places, axis=0))[1])
    named, front = {start: (0, 0)}, [(start, np.array([30.0, 0.0]), np.array([0.0, 30.0]))]
    while front:
        at, across, down = front.pop(0)
        for move, step in ((across, (1, 0)), (-across, (-1, 0)), (down, (0, 1)), (-down, (0, -1))):
            distance, other = tree.query(places[at] + move)
            if distance < 0.3 * np.linalg.norm(move) and other not in named:
                named[int(other)] = tuple(np.add(named[at], step))
                way = (places[other] - places[at]) * (1 if sum(step) > 0 else -1)
                front.append((int(other), way if step[0] else across, way if step[1] else down))
    return named


def blob_places(photograph):
    settings = cv2.SimpleBlobDetector_Params()
    settings.filterByColor, settings.blobColor = True, 255
    settings.minArea, settings.maxArea = 10.0, 400.0
    settings.filterByConvexity = settings.filterByInertia = False
    blobs = cv2.SimpleBlobDetector_create(settings).detect(grey(photograph))
    return np.array([blob.pt for blob in blobs]) + 0.5


def test_blob_detector_with_a_lattice_walk(seen):
    scene, photograph, ours = seen
    places = blob_places(photograph)
    rms, found = rms_of(places, scene)
    assert found > 0.98
    assert len(lattice_walk(places)) > 0.9 * DOTS**2
    assert len(ours.mark) == DOTS**2
    assert ours.rms < 0.2 * rms


def test_thresholded_moments(seen):
    scene, photograph, ours = seen
    picture = grey(photograph)
    _, mask = cv2.threshold(picture, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    moments = [cv2.moments(one) for one in outlines]
    places = np.array([(m["m10"] / m["m00"], m["m01"] / m["m00"]) for m in moments if m["m00"] > 5]) + 0.5
    rms, found = rms_of(places, scene)
    assert found > 0.98
    assert ours.rms < 0.1 * rms


def test_circle_grid(seen):
    """It finds whole grids alone, and gives up where distortion bends them far."""
    scene, photograph, ours = seen
    found, places = cv2.findCirclesGrid(255 - grey(photograph), (DOTS, DOTS))
    if found:
        rms, _ = rms_of(places.reshape(-1, 2) + 0.5, scene)
        assert ours.rms < 0.2 * rms
    assert len(ours.mark) == DOTS**2


def test_pixels_are_counted_from_half():
    """OpenCV has the first pixel's centre at 0, photographs here at 0.5: on one clean dot both agree then."""
    scene = Scene(dots=(5, 4), radius_px=20.0, stray_e=0.0)
    photograph = scene.frames()[0]
    places = blob_places(photograph)
    distance, near = cKDTree(places).query(scene.place)
    assert np.abs(np.median(places[near[distance < 3]] - scene.place[distance < 3], axis=0)).max() < 0.06
