"""How much memory a process takes that takes photographs, told before any is taken."""

from prewarp.capture.camera import camera_named
from prewarp.capture.photograph.dots import shaken
from prewarp.capture.photograph.pictures import band_px
from prewarp.capture.photograph.taking import KEPT_PLANES, Taking
from prewarp.memory import PROGRAM_BYTES

# Bytes by measurement. A panel's pixel: its file unpacked, above 8 bits a sample twice; its light and running
# sums, while they are made and after; a mask of what hides it. A pixel of the photograph: its light, codes
# and noise; and, in the band of lines at work, maps of corners and sums.
_READ, _SUMMED, _SUMS, _HIDDEN = 12, 32, 16, 50
_LIGHT, _NOISE, _BAND, _SHAKEN = 8, 48, 570, 40


def working_bytes(taking: Taking, /) -> float:
    """Return how much memory one process takes, bytes: of the largest panel and camera that the plan names.

    Pictures that show something else than a plan's own are drawn with two samples a pixel, whose band takes
    four times as much: that is not foreseen.
    """
    photographs = taking.plan.photographs
    panels = [taking.module.channel(name).panel for name in {one.channel for one in photographs} - {""}]
    cameras = [camera_named(taking.cameras, name) for name in {one.camera for one in photographs}]
    panel = max((one.width_px * one.height_px for one in panels), default=0)
    sample = 2 if any(one.bit_depth > 8 for one in panels) else 1
    bench = taking.bench
    band = (_BAND + _SHAKEN * (len(shaken(bench)[1]) - 1)) * max(
        band_px(one.size_px, bench) for one in cameras
    )
    camera = max(one.width_px * one.height_px for one in cameras)
    hidden = bench.hairs or bench.hidden or bench.dust_specks
    most = max(
        _READ * sample * panel,
        (_SUMMED + (_HIDDEN if hidden else 0)) * panel + _LIGHT * camera,
        (_SUMS + (1 if hidden else 0)) * panel + _LIGHT * camera + band,
        _NOISE * camera,
    )
    return PROGRAM_BYTES + KEPT_PLANES * sample * panel + most
