"""The C evaluator compiled and called from Python: to hold it against its twin, where a compiler exists."""

import ctypes
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from prewarp.checks import FloatArray
from prewarp.errors import PackageError
from prewarp.export.c_sources import SOURCES, write_c_sources
from prewarp.head import HeadTurn
from prewarp.lookup.blob_reading import MAX_CHANNELS, MAX_COLOURS
from prewarp.lookup.layout import NONE, SECTIONS

STRICT = ("-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-ffp-contract=off")
PUPIL_ONE, PANEL_ONE, DIRECTION_ONE, SHARE_ONE = 1 << 16, 1 << 14, 1 << 28, 1 << 16
TIME_ONE, RATE_ONE = 1 << 40, 1 << 20
COMPILE_SECONDS = 120


class _LookupView(ctypes.Structure):
    _fields_ = (
        ("bytes", ctypes.c_void_p),
        ("size", ctypes.c_uint32),
        ("offset", ctypes.c_uint32 * len(SECTIONS)),
        ("counts", ctypes.c_uint32 * 8),
    )


def _map_fields(length: type[ctypes.c_float | ctypes.c_int32]) -> tuple[tuple[str, type], ...]:
    counts = ((name, ctypes.c_uint32) for name in ("place", "family", "columns", "rows"))
    lengths = ((name, length) for name in ("width", "height"))
    pointers = ((name, ctypes.c_void_p) for name in ("coefficients", "base"))
    return (*counts, *lengths, *pointers)


class _FloatMap(ctypes.Structure):
    _fields_ = _map_fields(ctypes.c_float)


class _FixedMap(ctypes.Structure):
    _fields_ = _map_fields(ctypes.c_int32)


def _light_fields(length: type[ctypes.c_float | ctypes.c_int32]) -> tuple[tuple[str, type], ...]:
    borders = ctypes.c_void_p * (MAX_CHANNELS * MAX_COLOURS)
    pointers = (("lookup", ctypes.c_void_p), ("maps", ctypes.c_void_p))
    return (*pointers, ("pupil", length * 3), ("borders", borders))


class _FloatLight(ctypes.Structure):
    _fields_ = _light_fields(ctypes.c_float)


class _FixedLight(ctypes.Structure):
    _fields_ = _light_fields(ctypes.c_int32)


class _FloatScan(ctypes.Structure):
    _fields_ = tuple((name, ctypes.c_float) for name in ("lit", "lit_per_u", "lit_per_v"))


class _FixedScan(ctypes.Structure):
    _fields_ = tuple((name, ctypes.c_int64) for name in ("lit", "lit_per_u", "lit_per_v"))


class _FloatHead(ctypes.Structure):
    _fields_ = (("rate", ctypes.c_float * 3), ("drawn_for", ctypes.c_float))


class _FixedHead(ctypes.Structure):
    _fields_ = (("rate", ctypes.c_int32 * 3), ("drawn_for", ctypes.c_int64))


def find_compiler() -> str | None:
    """Return the path of a C compiler, or None."""
    return next((path for name in ("cc", "gcc", "clang") if (path := shutil.which(name))), None)


def compile_evaluator(
    folder: Path, /, *, compiler: str | None = None, options: Sequence[str] = ("-O2",)
) -> Path:
    """Write the sources into a folder and compile them to a shared library; return its path.

    Raises
    ------
    PackageError
        No compiler is found, or it refuses the sources; its message is kept.
    """
    compiler = compiler or find_compiler()
    if compiler is None:
        raise PackageError("no C compiler found. Install gcc or clang, or leave this check out.")
    folder.mkdir(parents=True, exist_ok=True)
    write_c_sources(folder)
    library = folder / "prewarp_evaluator.so"
    command = [compiler, *STRICT, *options, "-shared", "-fPIC", "-o", str(library), *SOURCES, "-lm"]
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=COMPILE_SECONDS, check=False
    )
    if done.returncode != 0:
        raise PackageError(f"{compiler} refuses the C evaluator: {done.stderr.strip()[:2000]}")
    return library


class CEvaluator:
    """One blob opened by the compiled C reader; `status` is what `prewarp_open` returned.

    Calls after a status other than 0 are refused here: the C functions may only be called on an open blob.
    """

    def __init__(self, library: Path | ctypes.CDLL, blob: bytes, /) -> None:
        self._c = library if isinstance(library, ctypes.CDLL) else ctypes.CDLL(str(library))
        for name in ("coefficient_count", "light_count", "meshes_work_count", "fixed_meshes_work_count"):
            getattr(self._c, f"prewarp_{name}").restype = ctypes.c_size_t
        self._c.prewarp_gain.restype = ctypes.c_float
        self._c.prewarp_fixed_gain.restype = ctypes.c_int32
        self._blob = ctypes.create_string_buffer(blob, len(blob))
        self._view = _LookupView()
        self.status = int(
            self._c.prewarp_open(ctypes.byref(self._view), self._blob, ctypes.c_size_t(len(blob)))
        )

    def map_at(self, place: int, pupil_mm: FloatArray, /, *, fixed: bool = False) -> "CMap":
        """Return a map prepared for a pupil position (3,), mm."""
        self._require_open()
        count = self._c.prewarp_coefficient_count(ctypes.byref(self._view), ctypes.c_uint32(place))
        if count == 0:
            raise PackageError(f"the blob has no map {place}.")
        pupil = _as_c(pupil_mm, PUPIL_ONE, fixed).reshape(3)
        memory = np.empty(count, pupil.dtype)
        prepared: ctypes.Structure = _FixedMap() if fixed else _FloatMap()
        call = self._c.prewarp_fixed_prepare if fixed else self._c.prewarp_prepare
        base_place = self._c.prewarp_base_of(ctypes.byref(self._view), ctypes.c_uint32(place))
        base = None if base_place == NONE else self.map_at(base_place, pupil_mm, fixed=fixed)
        below = None if base is None else ctypes.byref(base._map)
        request = ctypes.byref(self._view), ctypes.c_uint32(place), _pointer(pupil), below
        status = call(*request, _pointer(memory), ctypes.c_size_t(count), ctypes.byref(prepared))
        if status != 0:
            raise PackageError(f"the C evaluator refuses map {place} with status {status}.")
        return CMap(self._c, prepared, memory, fixed, base)

    def light_at(self, pupil_mm: FloatArray, /, *, fixed: bool = False) -> "CLight":
        """Return weights and gains prepared for a pupil position (3,), mm.

        Raises
        ------
        PackageError
            The evaluator refuses.
        """
        self._require_open()
        maps = [self.map_at(place, pupil_mm, fixed=fixed) for place in range(self._view.counts[2])]
        listed = (type(maps[0]._map) * len(maps))(*(one._map for one in maps))
        pupil = _as_c(pupil_mm, PUPIL_ONE, fixed).reshape(3)
        count = self._c.prewarp_light_count(ctypes.byref(self._view))
        memory = np.zeros(max(count, 1), pupil.dtype)
        light = (_FixedLight if fixed else _FloatLight)()
        call = self._c.prewarp_fixed_prepare_light if fixed else self._c.prewarp_prepare_light
        request = ctypes.byref(self._view), _pointer(pupil), listed, ctypes.c_uint32(len(maps))
        status = call(*request, _pointer(memory), ctypes.c_size_t(count), ctypes.byref(light))
        if status != 0:
            raise PackageError(f"the C evaluator refuses the light of a pupil with status {status}.")
        return CLight(self._c, light, fixed, self._view.counts[0], (self, maps, listed, memory))

    def _require_open(self) -> None:
        if self.status != 0:
            raise PackageError(f"the C reader refused the blob with status {self.status}.")


class CMap:
    """A prepared map on the C side, and the memory lent to it. Fixed-point results come back as float64."""

    def __init__(
        self,
        library: ctypes.CDLL,
        prepared: ctypes.Structure,
        memory: np.ndarray,
        fixed: bool,
        base: "CMap | None",
    ) -> None:
        self._c, self._map, self._memory, self._fixed, self._base = library, prepared, memory, fixed, base
        self._prefix = "prewarp_fixed" if fixed else "prewarp"

    @property
    def coefficients(self) -> np.ndarray:
        """The prepared coefficients, flat: float32, or whole numbers of 2^-28."""
        return self._memory

    def mesh(self, columns: int, rows: int, /) -> np.ndarray:
        """Return directions (rows, columns, 2)."""
        return np.asarray(meshes([self] if self._base is None else [self._base, self], columns, rows)[-1])

    def direction_from_panel(self, pixel: FloatArray, /) -> np.ndarray:
        """Return directions (n, 2) of panel points (n, 2), px."""
        call = getattr(self._c, f"{self._prefix}_direction_from_panel")
        rows = _as_c(pixel, PANEL_ONE, self._fixed)
        out = np.empty_like(rows)
        for row, result in zip(rows, out, strict=True):
            call(ctypes.byref(self._map), _pointer(row), _pointer(result))
        return out.astype(np.float64) / DIRECTION_ONE if self._fixed else out

    def turned_mesh(
        self, columns: int, rows: int, lit_s: tuple[float, float, float], head: HeadTurn, /
    ) -> np.ndarray:
        """Return directions (rows, columns, 2) turned with the head; `lit_s`: see `PanelScan.lit_s`.

        Raises
        ------
        PackageError
            The evaluator refuses the turn.
        """
        one = DIRECTION_ONE if self._fixed else 1
        nodes = _as_c(self.mesh(columns, rows).reshape(-1, 2), one, self._fixed)
        turn = self._turn_of(lit_s, head)
        size = ctypes.c_uint32(columns), ctypes.c_uint32(rows)
        call = getattr(self._c, f"{self._prefix}_turn_mesh")
        status = call(ctypes.byref(self._map), *turn, *size, _pointer(nodes))
        if status != 0:
            raise PackageError(f"the C evaluator refuses to turn a mesh with status {status}.")
        nodes = nodes.reshape(rows, columns, 2)
        return nodes.astype(np.float64) / DIRECTION_ONE if self._fixed else nodes

    def turned(
        self, pixel: FloatArray, lit_s: tuple[float, float, float], head: HeadTurn, /
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return directions (n, 2) of panel points (n, 2), px, turned with the head, and statuses (n,)."""
        one = DIRECTION_ONE if self._fixed else 1
        out = _as_c(self.direction_from_panel(pixel), one, self._fixed)
        turn, call = self._turn_of(lit_s, head), getattr(self._c, f"{self._prefix}_turn")
        pairs = zip(_as_c(pixel, PANEL_ONE, self._fixed), out, strict=True)
        status = [call(*turn, _pointer(row), _pointer(result)) for row, result in pairs]
        return (out.astype(np.float64) / DIRECTION_ONE if self._fixed else out), np.array(status)

    def _turn_of(self, lit_s: tuple[float, float, float], head: HeadTurn) -> tuple[Any, Any]:
        """Return pointers to scan and head as this path has them."""
        rate, drawn_for_s = np.radians(head.rate_deg_per_s), head.drawn_for_ms / 1000.0
        scan: ctypes.Structure
        of_head: ctypes.Structure
        if self._fixed:
            rates = (ctypes.c_int32 * 3)(*np.rint(rate * RATE_ONE).astype(int).tolist())
            scan = _FixedScan(*(round(time * TIME_ONE) for time in lit_s))
            of_head = _FixedHead(rates, round(drawn_for_s * TIME_ONE))
        else:
            scan = _FloatScan(*lit_s)
            of_head = _FloatHead((ctypes.c_float * 3)(*rate.tolist()), drawn_for_s)
        return ctypes.byref(scan), ctypes.byref(of_head)

    def panel_from_direction(self, tangent: FloatArray, /) -> tuple[np.ndarray, np.ndarray]:
        """Return panel points (n, 2), px, and statuses (n,) for directions (n, 2)."""
        call = getattr(self._c, f"{self._prefix}_panel_from_direction")
        rows = _as_c(tangent, DIRECTION_ONE, self._fixed)
        out = np.empty_like(rows)
        pairs = zip(rows, out, strict=True)
        status = [call(ctypes.byref(self._map), _pointer(row), _pointer(result)) for row, result in pairs]
        return (out.astype(np.float64) / PANEL_ONE if self._fixed else out), np.array(status, dtype=np.int64)


class CLight:
    """Weights and gains for one pupil position; `kept` is what its pointers need."""

    def __init__(
        self, library: Any, light: ctypes.Structure, fixed: bool, channels: int, kept: tuple[object, ...]
    ) -> None:
        self._c, self._light, self._fixed, self._channels, self._kept = library, light, fixed, channels, kept
        self._prefix = "prewarp_fixed" if fixed else "prewarp"

    def weights(self, tangent: FloatArray, /) -> np.ndarray:
        """Return the share of light (channels, n) of every channel in directions (n, 2), one call each."""
        rows, call = _as_c(tangent, DIRECTION_ONE, self._fixed), getattr(self._c, f"{self._prefix}_weights")
        out = np.empty((len(rows), self._channels), rows.dtype)
        for row, result in zip(rows, out, strict=True):
            call(ctypes.byref(self._light), _pointer(row), _pointer(result))
        return out.T.astype(np.float64) / SHARE_ONE if self._fixed else out.T

    def claims_and_depths(self, tangent: FloatArray, /, *, limit_deg: float) -> tuple[np.ndarray, np.ndarray]:
        """Return claims and degrees inside what is shown (channels, n), for shaders: in floats alone."""
        rows = _as_c(tangent, DIRECTION_ONE, False)
        claims, depths = (np.empty((len(rows), self._channels), rows.dtype) for _ in range(2))
        for row, claim, depth in zip(rows, claims, depths, strict=True):
            self._c.prewarp_claims_and_depths(
                ctypes.byref(self._light),
                _pointer(row),
                ctypes.c_float(limit_deg),
                _pointer(claim),
                _pointer(depth),
            )
        return claims.T, depths.T

    def weights_of(self, tangent: FloatArray, /) -> np.ndarray:
        """Return what `weights` does, all directions in one call: in floats alone."""
        rows = _as_c(tangent, DIRECTION_ONE, False)
        out = np.empty((len(rows), self._channels), rows.dtype)
        self._c.prewarp_weights_of(
            ctypes.byref(self._light), _pointer(rows), ctypes.c_size_t(len(rows)), _pointer(out)
        )
        return out.T

    def claims_and_depths_of(
        self, tangent: FloatArray, /, *, limit_deg: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return what `claims_and_depths` does, all directions in one call."""
        rows = _as_c(tangent, DIRECTION_ONE, False)
        claims, depths = (np.empty((len(rows), self._channels), rows.dtype) for _ in range(2))
        self._c.prewarp_claims_and_depths_of(
            ctypes.byref(self._light),
            _pointer(rows),
            ctypes.c_size_t(len(rows)),
            ctypes.c_float(limit_deg),
            _pointer(claims),
            _pointer(depths),
        )
        return claims.T, depths.T

    def shares_of(self, tangent: FloatArray, /, *, edge_deg: float) -> np.ndarray:
        """Return weights (channels, n) that fade towards the rim, in one call: in floats alone."""
        rows = _as_c(tangent, DIRECTION_ONE, False)
        out = np.empty((len(rows), self._channels), rows.dtype)
        count, edge = ctypes.c_size_t(len(rows)), ctypes.c_float(edge_deg)
        self._c.prewarp_shares_of(ctypes.byref(self._light), _pointer(rows), count, edge, _pointer(out))
        return out.T

    def lit(self, tangent: FloatArray, /) -> np.ndarray:
        """Return which channels (channels, n) show directions (n, 2) in every colour."""
        rows, call = _as_c(tangent, DIRECTION_ONE, self._fixed), getattr(self._c, f"{self._prefix}_is_lit")
        light, places = ctypes.byref(self._light), range(self._channels)
        return np.array(
            [[call(light, ctypes.c_uint32(k), _pointer(row)) == 1 for row in rows] for k in places]
        )

    def gain(self, place: int, pixel: FloatArray, tangent: FloatArray, /) -> np.ndarray:
        """Return the gain (n,) of a map at panel points (n, 2), px, seen in directions (n, 2)."""
        call = getattr(self._c, f"{self._prefix}_gain")
        rows = zip(
            _as_c(pixel, PANEL_ONE, self._fixed), _as_c(tangent, DIRECTION_ONE, self._fixed), strict=True
        )
        light, number = ctypes.byref(self._light), ctypes.c_uint32(place)
        values = [call(light, number, _pointer(point), _pointer(seen)) for point, seen in rows]
        return np.array(values, dtype=np.float64) / SHARE_ONE if self._fixed else np.array(values, np.float32)


def meshes(
    maps: Sequence[CMap], columns: int, rows: int, /, *, strip: tuple[int, int] | None = None
) -> np.ndarray:
    """Return directions (maps, rows, columns, 2) of prepared maps of one evaluator, drawn in one call.

    A base stands before the maps that are added to it. `strip`: first row and number of rows, where not all
    are wanted.

    Raises
    ------
    PackageError
        The evaluator refuses: a base is missing, the mesh is too small or too large, or has no such rows.
    """
    library, prefix, fixed = maps[0]._c, maps[0]._prefix, maps[0]._fixed
    listed = (type(maps[0]._map) * len(maps))(*(one._map for one in maps))
    size = ctypes.sizeof(type(maps[0]._map))
    addresses = {one._map.place: ctypes.addressof(listed) + size * place for place, one in enumerate(maps)}
    for one, entry in zip(maps, listed, strict=True):
        if one._base is not None:
            entry.base = addresses.get(one._base._map.place, entry.base)
    kind = np.int32 if fixed else np.float32
    request = listed, *(ctypes.c_uint32(number) for number in (len(maps), columns, rows))
    count = getattr(library, f"{prefix}_meshes_work_count")(*request)
    height = rows if strip is None else max(0, min(strip[1], rows))
    work, out = np.empty(count, kind), np.empty((len(maps), height, columns, 2), kind)
    call = f"{prefix}_meshes" if strip is None else f"{prefix}_mesh_rows"
    part = (ctypes.c_uint32(number) for number in strip or ())
    status = getattr(library, call)(*request, *part, _pointer(work), ctypes.c_size_t(count), _pointer(out))
    if status != 0:
        raise PackageError(f"the C evaluator refuses a mesh of {columns} x {rows} with status {status}.")
    return out.astype(np.float64) / DIRECTION_ONE if fixed else out


def _as_c(values: FloatArray, one: int, fixed: bool) -> np.ndarray:
    rows = np.asarray(values, dtype=float)
    if not fixed:
        return np.ascontiguousarray(rows.astype(np.float32))
    return np.ascontiguousarray(np.clip(np.rint(rows * one), -(2**31) + 1, 2**31 - 1).astype(np.int32))


def _pointer(array: np.ndarray) -> ctypes.c_void_p:
    return ctypes.c_void_p(array.ctypes.data)
