"""From light on a sensor to the values of a photograph's file."""

import numpy as np
from numpy.typing import NDArray

from prewarp.capture.camera import Camera
from prewarp.capture.photograph.bench import Bench
from prewarp.checks import FloatArray

Values = NDArray[np.uint8] | NDArray[np.uint16]


def values_of_light(
    light: FloatArray,
    camera: Camera,
    bench: Bench,
    /,
    *,
    exposure_ms: float,
    random: np.random.Generator,
    name: str = "",
) -> Values:
    """Return what the camera writes for light.

    Parameters
    ----------
    light : (height, width) float array
        Light summed over each pixel, in full scales.
    camera : Camera
        Black level, full scale and where codes sit in the file's values.
    bench : Bench
        Stray light, hot pixels, dead columns, noise.
    exposure_ms : float
        Stray light of the room and hot pixels grow with it.
    random : Generator
        Of the noise; hot pixels are the same in all photographs of the camera `name`.

    Returns
    -------
    (height, width) uint8 or uint16 array
        16 bits where the highest value needs more than 8. Light above full scale is cut off.
    """
    light = light + (bench.stray_fraction * float(light.mean()) + bench.stray_level * exposure_ms)
    if bench.hot_pixels:
        lot = bench.random("hot pixels", name)
        place = lot.integers(0, light.size, bench.hot_pixels)
        light.reshape(-1)[place] += bench.hot_per_ms * exposure_ms * lot.uniform(0.2, 1.0, bench.hot_pixels)
    if bench.full_well_e > 0.0:
        electrons = np.zeros(light.shape)
        # Most of a photograph of dots is dark, and nothing is drawn by lot there.
        lit = np.flatnonzero(light)
        electrons.reshape(-1)[lit] = random.poisson(light.reshape(-1)[lit] * bench.full_well_e)
        if bench.read_noise_e > 0.0:
            electrons += random.normal(0.0, bench.read_noise_e, light.shape)
        light = electrons
        light /= bench.full_well_e
    code = light
    code *= camera.full_scale - camera.black
    code += camera.black
    np.rint(code, out=code)
    np.clip(code, 0.0, camera.full_scale, out=code)
    code[:, [x for x in bench.dead_columns if x < code.shape[1]]] = np.rint(camera.black)
    highest = int(camera.full_scale) << camera.shift_bits
    if highest <= 255:
        return np.left_shift(code.astype(np.uint8), np.uint8(camera.shift_bits))
    return np.left_shift(code.astype(np.uint16), np.uint16(camera.shift_bits))
