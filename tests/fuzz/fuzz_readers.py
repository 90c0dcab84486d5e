"""Coverage-guided fuzz of the Python readers by atheris: python -m tests.fuzz.fuzz_readers READER [OPTIONS].

READER is one of `READERS` (after `family` the path of one); options go to libFuzzer (-max_total_time=600).
Files with a digest or checksums are damaged inside and sealed again, since only what a digest lets through
is read. A reader may return or raise a `PrewarpError`; anything else is a finding and ends the run. Needs
atheris and Linux.
"""

import os
import sys
import tempfile
from pathlib import Path

import atheris
import numpy as np

with atheris.instrument_imports(include=["prewarp"], enable_loader_override=False):
    from prewarp.capture.camera import read_camera
    from prewarp.capture.marks import read_marks
    from prewarp.capture.photograph.bench import read_bench
    from prewarp.capture.plan import read_plan
    from prewarp.errors import PrewarpError
    from prewarp.export.ktx2 import FORMATS, Texture, ktx2_bytes, texture_from_ktx2
    from prewarp.field import FieldSet, fit_grid
    from prewarp.files import arrays_digest, npz_bytes, read_npz
    from prewarp.grids import read_grid
    from prewarp.line.storage import read_family
    from prewarp.lookup.blob_reading import lookup_from_blob
    from prewarp.module import read_module
    from prewarp.preview.motion import read_motion
    from prewarp.quality.units_table import read_units
    from prewarp.registration.pairs import read_pairs
    from prewarp.trace import read_design

from tests.fuzz.fuzz_open import seeds
from tests.fuzz.sealing import resealed
from tests.synthetic import make_grid, pupil_lattice

CALIB = Path(__file__).resolve().parents[2] / "calib"


def read_blob(data):
    lookup_from_blob(resealed(data), source="fuzz")


def arrays_of(path):
    """Return the arrays of a sealed NPZ file, without their seal."""
    arrays = read_npz(path, limit_bytes=1 << 30, what="a file")
    arrays.pop("digest", None)
    return arrays


class SealedArrays:
    """Reads a sealed NPZ file of which some bytes of some arrays, shapes and names are changed."""

    def __init__(self, path, read, folder):
        self.arrays, self.read, self.path = arrays_of(path), read, folder / "sealed.npz"

    def __call__(self, data):
        given = atheris.FuzzedDataProvider(data)
        arrays = dict(self.arrays)
        for _ in range(given.ConsumeIntInRange(1, 4)):
            name = given.PickValueInList(sorted(arrays))
            array, kind = arrays[name], given.ConsumeIntInRange(0, 5)
            if kind == 0:
                flat = bytearray(array.tobytes())
                start = given.ConsumeIntInRange(0, max(len(flat) - 1, 0))
                more = given.ConsumeBytes(16)[: max(len(flat) - start, 0)]
                flat[start : start + len(more)] = more
                arrays[name] = np.frombuffer(bytes(flat), array.dtype).reshape(array.shape)
            elif kind == 1 and array.size:
                arrays[name] = array.reshape(-1)[: given.ConsumeIntInRange(0, array.size)]
            elif kind == 2:
                arrays[name] = np.array(given.ConsumeFloat())
            elif kind == 3:
                arrays[name] = array.astype(given.PickValueInList(["<f4", "<i2", "|u1", "<c16"]))
            elif kind == 4:
                arrays.pop(name)
                arrays.setdefault(name[:-1] or "x", array)
            elif array.dtype == np.uint8:
                text, other = array.tobytes(), given.ConsumeBytes(12)
                start = given.ConsumeIntInRange(0, len(text))
                text = text[:start] + other + text[start + given.ConsumeIntInRange(0, 12) :]
                arrays[name] = np.frombuffer(text, np.uint8)
        self.path.write_bytes(npz_bytes({**arrays, "digest": arrays_digest(arrays)}))
        self.read(self.path)


def from_file(read, folder, ending):
    """Return what reads bytes as a file of an ending."""
    path = folder / f"fuzz{ending}"

    def one(data):
        path.write_bytes(data)
        read(path)

    return one


def texts(*paths):
    return [Path(path).read_bytes() for path in paths]


GRID = b"channel,color,pupil_x_mm,pupil_y_mm,pupil_z_mm,u_px,v_px,tan_x,tan_y\n" + b"".join(
    b"left,G,%d,%d,0,%d,%d,0.%d,0.%d\n" % (x, y, 10 * u, 20 * v, u, v)
    for x in (0, 1)
    for y in (0, 1)
    for u in (1, 2, 3)
    for v in (1, 2)
)
PLAN = (
    b"order,pose,camera,channel,color,kind,step,picture,eye_x_mm,eye_y_mm,eye_z_mm,yaw_deg,pitch_deg,"
    b"roll_deg,panel_frames,exposure_ms,file\n1,1,main,left,G,whole,0,a.png,0,0,0,0,0,0,1,16.7,a1.png\n"
)
MARKS = b"channel,mark,panel_u_px,panel_v_px,radius_px,code\nleft,1,100.5,90.5,4,63\nleft,2,120.5,90.5,4,95\n"
CAMERA = (
    b"width_px = 640\nheight_px = 512\nfocal_px = [900.0, 900.0]\ncentre_px = [320.0, 256.0]\n"
    b"distortion = [0.01, 0.0]\naperture_mm = 3.0\n"
)
MOTION = b"time_s,x_mm,y_mm,z_mm\n0,0,0,0\n0.1,1,0,0\n0.2,1,1,0\n"
UNITS = b"serial,status,reason,place_px,place_px_sigma\nU1,pass,,0.01,0.001\nU2,fail,too far,0.4,0.01\n"
PAIRS = b"channel_a,channel_b,tan_x_a,tan_y_a,tan_x_b,tan_y_b\nleft,right,0.1,0.2,0.11,0.2\n"


def small_fit(folder):
    """Write a small fit."""
    path = folder / "small.fit.npz"
    grid = make_grid(points=9, pupils=pupil_lattice(3), colours=("G",), noise_px=0.05)
    fit_grid(grid, panel_size_px=(2560, 2560)).save(path)
    return path


def small_texture(name):
    """Return a texture of 3 x 2 texels of a format, with a note."""
    form = FORMATS[name]
    return ktx2_bytes(Texture(form, np.zeros((2, 3, form.components), form.dtype), {"shown": "content"}))


def reader(name, folder):
    """Return what reads bytes, and its first inputs."""
    if name == "blob":
        return read_blob, list(seeds().values())
    if name == "fit":
        return SealedArrays(small_fit(folder), FieldSet.load, folder), [bytes(64), bytes(range(64))]
    if name == "family":
        return SealedArrays(Path(sys.argv.pop(1)), read_family, folder), [bytes(64), bytes(range(64))]
    files = {
        "grid": (read_grid, ".csv", [GRID]),
        "module": (read_module, ".toml", texts(*CALIB.glob("*.module.toml"))),
        "design": (read_design, ".toml", texts(*CALIB.glob("*.design.toml"))),
        "plan": (read_plan, ".csv", [PLAN]),
        "marks": (read_marks, ".csv", [MARKS]),
        "camera": (read_camera, ".toml", [CAMERA]),
        "bench": (read_bench, ".toml", [b"[noise]\nelectrons = 9000\n"]),
        "motion": (read_motion, ".csv", [MOTION]),
        "units": (read_units, ".csv", [UNITS]),
        "pairs": (read_pairs, ".csv", [PAIRS]),
        "ktx2": (
            lambda path: texture_from_ktx2(path.read_bytes(), where="fuzz"),
            ".ktx2",
            [small_texture(name) for name in FORMATS],
        ),
    }
    read, ending, first = files[name]
    return from_file(read, folder, ending), first


READERS = ("blob", "fit", "family", "grid", "module", "design", "plan", "marks", "camera", "bench", "motion",
           "units", "pairs", "ktx2")  # fmt: skip


def main():
    """Fuzz one reader."""
    name = sys.argv.pop(1)
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as text:
        folder = Path(text)
        read, first = reader(name, folder)
        corpus = folder / "corpus"
        corpus.mkdir()
        for place, data in enumerate(first):
            (corpus / str(place)).write_bytes(data)

        def one(data):
            try:
                read(data)
            except PrewarpError:
                return

        options = ["-timeout=20", "-print_final_stats=1", f"-artifact_prefix={tempfile.gettempdir()}/"]
        atheris.Setup([sys.argv[0], *options, *sys.argv[1:], str(corpus)], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
