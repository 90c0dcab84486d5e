"""Small hard pictures for tests: fine lines, a checkerboard, colour ramps, one lit dot."""

import numpy as np


def hard_scene(width, height):
    """One-pixel lines every 8 px, a checkerboard, saturated colours and a grey ramp: every kind of edge."""
    v, u = np.mgrid[0:height, 0:width]
    image = np.zeros((height, width, 3), dtype=np.uint8)
    image[(u % 8 == 0) | (v % 8 == 0)] = (255, 255, 255)
    board = (u > width // 2) & (v < height // 2)
    image[board & ((u // 2 + v // 2) % 2 == 0)] = (255, 40, 0)
    image[board & ((u // 2 + v // 2) % 2 == 1)] = (0, 90, 255)
    ramp = (u < width // 2) & (v > height * 3 // 4)
    image[ramp] = (np.stack([u, u, u], axis=-1) * 255 // width * 2).astype(np.uint8)[ramp]
    return image


def one_dot(width, height, u, v, size=3):
    """Black, but for a white square about pixel (u, v)."""
    image = np.zeros((height, width, 3), dtype=np.uint8)
    image[v - size : v + size + 1, u - size : u + size + 1] = 255
    return image


def centroid(light):
    """Middle of the light of a picture (height, width), px, with first pixel's centre at (0.5, 0.5)."""
    v, u = np.mgrid[0 : light.shape[0], 0 : light.shape[1]] + 0.5
    return np.array([np.sum(light * u), np.sum(light * v)]) / np.sum(light)
