"""The mesh of one channel on the GPU, summed from its table for each pupil position; nothing is uploaded."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prewarp.checks import FloatArray
from prewarp.content import PROJECTIONS, ContentProjection, focal_lengths_from_tangent
from prewarp.errors import RenderError
from prewarp.head import HeadTurn, require_scan
from prewarp.render.gpu import Program, Target, has_compute, make_texture
from prewarp.render.live.depth_map import MOST_CHANNELS, PUPILS
from prewarp.render.live.eye_table import EyeTable
from prewarp.render.live.weight_map import WeightMap
from prewarp.scan import PanelScan

if TYPE_CHECKING:
    import moderngl

# How bright panels look: all alike; as measured; matched by gains. Place in here: `u_light` of the shaders.
LIGHTS = ("even", "as measured", "matched")


class EyeMesh:
    """One channel's mesh on the GPU, for a tracked pupil (`shown`) and for the true pupil (`seen`).

    `with_gains`: also `gained`, as `shown` with the gain alone in place of the drive.
    """

    def __init__(
        self,
        context: "moderngl.Context",
        table: EyeTable,
        weights: WeightMap,
        content: ContentProjection,
        /,
        *,
        compute: bool | None = None,
        scan: PanelScan | None = None,
        with_gains: bool = False,
    ) -> None:
        self.table = table
        self._scan = scan
        self._context = context
        self._projection = content.projection
        rows, columns = table.node_shape
        self.indices = context.buffer(_triangles(rows, columns).tobytes())
        self.shown = Target(context, (columns, rows), "f4", count=3)
        self.seen = Target(context, (columns, rows), "f4", count=3)
        self.gained = Target(context, (columns, rows), "f4", count=3) if with_gains else None
        seen = np.concatenate([table.cosine[..., 1:2, :], table.seen_px], axis=-2)
        self._tables = (
            _table_textures(context, table.cosine, table.log_own),
            _table_textures(context, seen, table.log_seen),
        )
        self._weight = _float_texture(context, _weights_and_targets(weights))
        is_lit = table.log_own is not None and weights.target is not None
        # The option of shaders that read this mesh: whether it says how bright the panel is.
        self.light_option = {"PREWARP_LIT": 1} if is_lit else {}
        common = {
            "PREWARP_PUPIL_DEGREE": table.degree,
            "PREWARP_PROJECTION": PROJECTIONS.index(content.projection),
            **self.light_option,
            **({} if scan is None else {"PREWARP_TURNING": 1}),
        }
        depths = weights.depths
        if depths is not None:
            common |= {"PREWARP_DARK": 1, "PREWARP_PUPILS": PUPILS, "PREWARP_OWN": weights.own}
        # Where there are compute shaders the few thousand nodes are spread over the whole GPU.
        self._computes = has_compute(context) if compute is None else compute
        stage = "eye_mesh.comp" if self._computes else "eye_mesh.frag"
        sides: list[dict[str, int]] = [{"PREWARP_SIDE": 0}, {"PREWARP_SIDE": 1}]
        if with_gains:
            sides.append({"PREWARP_SIDE": 0, "PREWARP_GAINS": 1, **({"PREWARP_DARK": 0} if depths else {})})
        self._programs = tuple(Program(context, stage, {**common, **side}) for side in sides)
        for program in self._programs:
            program.set("u_half_mm", tuple(table.half_mm.tolist()))
            program.set("u_rows", rows)
        for panel in (self._programs[0], *self._programs[2:]):
            panel.set("u_content_middle", (content.size_px[0] / 2.0, content.size_px[1] / 2.0))
            panel.set("u_content_scale", (content.focal_px, -content.focal_px))
            if panel is self._programs[0] or is_lit:
                panel.set("u_weight_origin", tuple(weights.origin.tolist()))
                panel.set("u_weight_per_unit", weights.per_unit)
        panel = self._programs[0]
        self._depth_textures: dict[str, moderngl.Texture] = {}
        if depths is not None:
            claims = depths.claims.scale * np.moveaxis(depths.claims.codes, 0, -1).astype(float)
            tiles, rows, columns, _ = depths.depth_deg.shape
            stacked = _padded(depths.depth_deg, -1.0).reshape(tiles * rows, columns, MOST_CHANNELS)
            self._depth_textures = {
                "t_claim": _float_texture(context, _padded(claims, 0.0)),
                "t_depth": _float_texture(context, stacked),
            }
            panel.set("u_claim_origin_deg", tuple(depths.claims.origin_deg.tolist()))
            panel.set("u_claim_pitch_deg", depths.claims.pitch_deg)
            panel.set("u_depth_origin", tuple(depths.origin.tolist()))
            panel.set("u_depth_per_unit", depths.per_unit)
            panel.set("u_depth_half_mm", tuple(depths.half_mm.tolist()))
            panel.set("u_edge_deg", depths.edge_deg)
        self._pupils: list[tuple[float, ...] | None] = [None, None]
        if scan is not None:
            self.set_head(HeadTurn(), late=True)

    @property
    def programs(self) -> tuple[Program, ...]:
        """All programs, for reloading."""
        return self._programs

    def set_light(self, light: str, /) -> None:
        """Take how bright panels look, of `LIGHTS`; both meshes are made anew when next asked for."""
        for program in self._programs:
            program.set("u_light", LIGHTS.index(light))
        self.forget()

    def set_head(self, head: HeadTurn, /, *, late: bool) -> None:
        """Take how the head turns, and whether the panel is drawn with late rotation; both meshes are made
        anew when next asked for.

        Raises
        ------
        RenderError
            The head turns and the scan of the panel is not known, or by too much.
        """
        if self._scan is None:
            if not head.is_still:
                require_scan(None, self.table.channel)
            return
        head.require_small(self._scan, self.table.panel_size_px)
        constant, along_u, along_v = self._scan.lit_s(self.table.panel_size_px)
        u, v = self.table.first_px
        first = constant + along_u * u + along_v * v - head.drawn_for_ms / 1000.0
        times = (float(first), float(along_u * self.table.step_px[0]), float(along_v * self.table.step_px[1]))
        turning = tuple(np.radians(head.rate_deg_per_s).tolist())
        for side, program in enumerate(self._programs):
            program.set("u_turn_rad_per_s", turning if late or side == 1 else (0.0, 0.0, 0.0))
            program.set("u_turn_node_s", times)
        # Weights of the panel; the view has none.
        weights_for_ms = head.drawn_for_ms if head.weights_for_ms is None else head.weights_for_ms
        self._programs[0].set("u_turn_weights_s", (head.drawn_for_ms - weights_for_ms) / 1000.0)
        self.forget()

    def set_tracked(self, pupil_mm: ArrayLike, /) -> bool:
        """Make `shown` for a tracked pupil (3,), mm; False when it is that already."""
        pupil = tuple(np.asarray(pupil_mm, dtype=float).reshape(3).tolist())
        moved = self._set(0, self.shown, pupil)
        if moved and self.gained is not None:
            textures = {"t_weight": self._weight} if self.light_option else {}
            self._draw(self._programs[2], self.gained, pupil, self._tables[0] | textures)
        return moved

    @property
    def tracked_mm(self) -> tuple[float, ...]:
        """The tracked pupil that `shown` is for.

        Raises
        ------
        RenderError
            It was not made yet.
        """
        if self._pupils[0] is None:
            raise RenderError("the mesh was not made for a tracked pupil yet; call set_tracked first.")
        return self._pupils[0]

    def set_pupil(self, pupil_mm: ArrayLike, /) -> bool:
        """Make `seen` for the true pupil (3,), mm; False when it is that already."""
        return self._set(1, self.seen, pupil_mm)

    def plane_at_centre(self) -> FloatArray:
        """Return where nodes are seen from the eye-box centre, (rows, columns, 2), plane coordinates."""
        return focal_lengths_from_tangent(self.table.tangents(np.zeros(3))[..., 1, :], self._projection)

    def forget(self) -> None:
        """Make both meshes anew when they are next asked for."""
        self._pupils = [None, None]

    def places(self) -> dict[str, tuple[float, float]]:
        """Return the uniforms that say where nodes lie on the panel."""
        return {
            "u_first_px": tuple(self.table.first_px.tolist()),
            "u_step_px": tuple(self.table.step_px.tolist()),
            "u_panel_px": tuple(float(length) for length in self.table.panel_size_px),
        }

    def _set(self, side: int, target: Target, pupil_mm: ArrayLike) -> bool:
        pupil = tuple(np.asarray(pupil_mm, dtype=float).reshape(3).tolist())
        if pupil == self._pupils[side]:
            return False
        textures = dict(self._tables[side])
        if side == 0:
            textures |= {"t_weight": self._weight, **self._depth_textures}
        self._draw(self._programs[side], target, pupil, textures)
        self._pupils[side] = pupil
        return True

    def _draw(
        self,
        program: Program,
        target: Target,
        pupil: tuple[float, ...],
        textures: "dict[str, moderngl.Texture]",
    ) -> None:
        program.set("u_pupil_mm", pupil)
        if self._computes:
            program.bind(textures)
            for unit, texture in enumerate(target.textures):
                texture.bind_to_image(unit, read=False, write=True)
            columns, rows = target.size_px
            program.run((-(-columns // 8), -(-rows // 8)))
            self._context.memory_barrier()
        else:
            target.draw(program, textures)


class FixedMesh:
    """A mesh that does not follow the eye: content px (rows, columns, 3, 2) for a table's nodes."""

    def __init__(self, context: "moderngl.Context", content_px: FloatArray, /) -> None:
        rows, columns = content_px.shape[:2]
        self.textures = tuple(make_texture(context, (columns, rows), "f4") for _ in range(3))
        for colour, texture in enumerate(self.textures):
            value = np.ones((rows, columns, 4), dtype=np.float32)
            value[..., :2] = content_px[..., colour, :]
            texture.write(value)


def unwarped_content(table: EyeTable, content: ContentProjection, /) -> FloatArray:
    """Return content px (rows, columns, 3, 2) of each colour's best straight map from the eye-box centre."""
    tangent = table.tangents(np.zeros(3))
    u, v = np.moveaxis(table.node_px / np.array(table.panel_size_px) - 0.5, -1, 0)
    basis = np.stack([np.ones_like(u), u, v], axis=-1)
    # The ring beyond the panel has no say.
    inner = (slice(1, -1), slice(1, -1))
    solution, *_ = np.linalg.lstsq(basis[inner].reshape(-1, 3), tangent[inner].reshape(-1, 6), rcond=None)
    return content.pixel_from_tangent((basis @ solution).reshape(tangent.shape))


def _triangles(rows: int, columns: int) -> NDArray[np.int32]:
    """Return two triangles for every cell, row by row, as indices (n,)."""
    node = np.arange(rows * columns, dtype=np.int32).reshape(rows, columns)
    a, b, c, d = node[:-1, :-1], node[:-1, 1:], node[1:, :-1], node[1:, 1:]
    return np.stack([a, b, c, c, b, d], axis=-1).ravel()


def _weights_and_targets(weights: WeightMap) -> FloatArray:
    """Return weights (rows, columns, 1), or (rows, columns, 4): times target of each colour, and alone.

    Where depths make the weight it stands for 1 here.
    """
    weight = (weights.weight if weights.depths is None else np.ones_like(weights.weight))[..., None]
    return weight if weights.target is None else np.concatenate([weight * weights.target, weight], axis=-1)


def _padded(values: FloatArray, fill: float) -> FloatArray:
    """Return values (..., channels) with the channels that are not there as `fill`, (..., MOST_CHANNELS)."""
    missing = MOST_CHANNELS - values.shape[-1]
    return np.pad(values, [(0, 0)] * (values.ndim - 1) + [(0, missing)], constant_values=fill)


def _table_textures(
    context: "moderngl.Context", vectors: FloatArray, logs: FloatArray | None
) -> dict[str, "moderngl.Texture"]:
    """Return textures by sampler: two vectors of a node, the third, its luminance.

    `vectors` (functions, rows, columns, 3, 2); `logs` (functions, rows, columns, 3).
    """
    parts = {"t_pair": vectors[..., :2, :], "t_single": vectors[..., 2, :]}
    if logs is not None:
        parts["t_log_light"] = logs
    functions, rows, columns = vectors.shape[:3]
    return {
        name: _float_texture(context, part.reshape(functions * rows, columns, -1))
        for name, part in parts.items()
    }


def _float_texture(context: "moderngl.Context", values: FloatArray) -> "moderngl.Texture":
    rows, columns, components = values.shape
    texture = make_texture(context, (columns, rows), "f4", components=components)
    texture.write(np.ascontiguousarray(values, dtype=np.float32))
    return texture
