"""The reference renderer: panel pictures and the perceived view, in numpy.

Panel pass: panel pixel -> direction (forward, tracked pupil) -> content point -> linear light, times blend
weight, encoded for the panel. View pass: view pixel -> direction -> panel point (inverse, true pupil) ->
linear light, added over channels, encoded as sRGB. Rows are done in chunks, so memory stays at a few planes
whatever the picture's size.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prewarp.content import ContentProjection
from prewarp.encoding import Quantiser, TransferFunction, linear_from_srgb
from prewarp.errors import RenderError
from prewarp.head import HeadTurn, TurningField, require_scan
from prewarp.lattice import SplineLattice
from prewarp.mesh import NODE_STEP_PX, VIEW_STEP_PX, PanelMesh, View, panel_mesh, view_mesh
from prewarp.photometry.dither import Ditherer
from prewarp.photometry.panel import PLAIN, PanelLight, panel_light
from prewarp.render.pictures import PanelPicture, encode_view, for_planes, require_content
from prewarp.render.sampling import SamplingPlane, sampling_plane
from prewarp.scan import PanelScan
from prewarp.seam import Seam

if TYPE_CHECKING:
    from prewarp.field import Field, FieldSet
    from prewarp.photometry.luminance import LuminanceMaps
    from prewarp.photometry.match import LightMatch

# Pixels of a chunk: its few float32 arrays stay in a core's cache.
_CHUNK_PX = 40_000


def content_planes(image: NDArray[np.uint8], /) -> tuple[SamplingPlane, ...]:
    """Decode an sRGB picture (height, width, 3) once, for any number of panel passes; black outside."""
    light = linear_from_srgb(np.arange(256) / 255.0).astype(np.float32)
    return tuple(sampling_plane(light.take(image[..., plane]), border="black") for plane in range(3))


def panel_picture(
    content: Sequence[SamplingPlane],
    meshes: Sequence[PanelMesh],
    /,
    *,
    transfer: TransferFunction,
    bit_depth: int = 8,
    light: PanelLight | None = None,
    threads: int = 1,
) -> PanelPicture:
    """Draw one panel.

    Parameters
    ----------
    content : three SamplingPlane
        Red, green, blue from `content_planes`.
    meshes : three PanelMesh
        Pre-warp maps of red, green, blue.
    transfer, bit_depth
        How the panel turns codes into light.
    light : PanelLight, optional
        White match and dither; the meshes' weights hold the gains of a luminance match (`panel_mesh`).
    threads : int
        Chunks done at the same time; the picture does not depend on it.

    Returns
    -------
    PanelPicture
    """
    width, height = meshes[0].panel_size_px
    light = light or PLAIN
    quantiser = Quantiser(transfer, bit_depth)
    ditherer = None if light.tile is None else Ditherer(transfer, bit_depth, light.tile)
    codes = np.empty((height, width, 3), dtype=np.uint8 if bit_depth <= 8 else np.uint16)
    readers = [_RowReader(mesh.spline(), width, height) for mesh in meshes]
    lights = [
        None if mesh.light is None else _RowReader(mesh.light_spline(), width, height) for mesh in meshes
    ]

    def draw(rows: slice) -> None:
        for plane in range(3):
            u, v, weight = readers[plane].read(rows)
            shown, lit = meshes[plane].light, lights[plane]
            if shown is not None and lit is not None:
                claims, depth = np.split(lit.read(rows), 2)
                weight *= shown.weights(claims, depth)
            wanted = _mixed(content, light, plane, u, v)
            wanted *= np.clip(weight, 0.0, 1.0, out=weight)
            wanted = wanted.reshape(-1, width)
            if ditherer is None:
                codes[rows, :, plane] = quantiser.code_from_linear(wanted)
            else:
                codes[rows, :, plane] = ditherer.codes(wanted, first_row=rows.start, plane=plane)

    _for_chunks(draw, width, height, threads)
    return PanelPicture(codes, transfer, bit_depth)


def _mixed(
    content: Sequence[SamplingPlane],
    light: PanelLight,
    plane: int,
    u: NDArray[np.float32],
    v: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Return the light (n,) that a colour is asked for at content points, px: its row of the white match."""
    if not light.mixes:
        return content[plane].sample(u, v)
    mixed = np.zeros_like(u)
    for share, own in zip(light.mixing[plane].astype(np.float32), content, strict=True):
        if share:
            mixed += share * own.sample(u, v)
    return mixed


def perceived_light(
    panels: Mapping[str, PanelPicture],
    maps: Mapping[str, Sequence[SplineLattice]],
    view: View,
    /,
    *,
    threads: int = 1,
) -> NDArray[np.float32]:
    """Add up the light that reaches the eye from every panel.

    Parameters
    ----------
    panels : mapping
        Channel name to its picture.
    maps : mapping
        Channel name to three maps (red, green, blue) from view px to panel px, from `view_mesh`; a third
        component is the luminance of the panel at full drive, a fourth the depth inside what is lit.
    view : View
        Size and projection of the view picture.
    threads : int
        Chunks done at the same time.

    Returns
    -------
    (height, width, 3) float32 array
        Linear light; a view pixel whose panel point is off a panel gets nothing from it.
    """
    width, height = view.size_px
    light = np.zeros((height, width, 3), dtype=np.float32)
    for channel, picture in panels.items():
        linear = picture.linear()
        for plane in range(3):
            reader = _RowReader(maps[channel][plane], width, height)
            source = sampling_plane(linear[..., plane], border="edge")

            def add(
                rows: slice, reader: _RowReader = reader, source: SamplingPlane = source, plane: int = plane
            ) -> None:
                # What may follow: luminance, then the depth inside what is lit.
                u, v, *more = reader.read(rows)
                seen = (u >= 0.0) & (u <= source.size_px[0]) & (v >= 0.0) & (v <= source.size_px[1])
                value = source.sample(u, v)
                for luminance in more[:1]:
                    value *= luminance
                for depth in more[1:]:
                    seen &= depth > 0.0
                value *= seen
                light[rows, :, plane] += value.reshape(-1, width)

            _for_chunks(add, width, height, threads)
    return light


def prewarp_panel(
    fields: "FieldSet",
    content: ContentProjection,
    image: NDArray[np.uint8] | Sequence[SamplingPlane],
    /,
    *,
    channel: str,
    tracked_pupil_mm: ArrayLike,
    seam: Seam | None = None,
    transfer: TransferFunction | None = None,
    bit_depth: int = 8,
    match: "LightMatch | None" = None,
    dither: str = "none",
    step_px: float = NODE_STEP_PX,
    warped: bool = True,
    scan: PanelScan | None = None,
    head: HeadTurn | None = None,
    threads: int = 1,
) -> PanelPicture:
    """Draw the panel of one channel for a tracked pupil: meshes and panel pass in one call.

    Parameters
    ----------
    fields : FieldSet
        All channels and colours.
    content : ContentProjection
        How the content picture lies on directions.
    image : (height, width, 3) uint8 array, or what `content_planes` made of it
        The content picture, sRGB; row 0 is the top.
    channel : str
        Which panel to draw.
    tracked_pupil_mm : (3,) float array
        Where the system believes the pupil to be, mm.
    seam, step_px, warped, scan, head
        See `prewarp.mesh.panel_mesh`.
    transfer, bit_depth, threads
        See `panel_picture`; sRGB if no transfer function is given.
    match : LightMatch, optional
        Gains and white match of the channels.
    dither : str
        "none", "bayer" or "blue".

    Raises
    ------
    ShapeError
        The picture's size is not the projection's.
    RenderError
        Colours are missing, or the field has no direction for part of the panel.
    """
    planes = (
        content_planes(require_content(image, content.size_px)) if isinstance(image, np.ndarray) else image
    )
    meshes = panel_meshes(
        fields,
        channel,
        content,
        tracked_pupil_mm=tracked_pupil_mm,
        seam=seam,
        match=match,
        step_px=step_px,
        warped=warped,
        scan=scan,
        head=head,
    )
    return panel_picture(
        planes,
        meshes,
        transfer=transfer or TransferFunction(),
        bit_depth=bit_depth,
        light=panel_light(match, channel, dither=dither),
        threads=threads,
    )


def panel_meshes(
    fields: "FieldSet",
    channel: str,
    content: ContentProjection,
    /,
    *,
    tracked_pupil_mm: ArrayLike,
    seam: Seam | None = None,
    match: "LightMatch | None" = None,
    step_px: float = NODE_STEP_PX,
    warped: bool = True,
    scan: PanelScan | None = None,
    head: HeadTurn | None = None,
) -> tuple[PanelMesh, ...]:
    """Return the pre-warp maps of red, green and blue of one channel; see `prewarp.mesh.panel_mesh`."""
    return for_planes(
        fields.colours,
        lambda colour: panel_mesh(
            fields.field(channel, colour),
            content,
            tracked_pupil_mm=tracked_pupil_mm,
            seam=seam,
            match=match,
            step_px=step_px,
            warped=warped,
            scan=scan,
            head=head,
        ),
    )


def perceived_view(
    fields: "FieldSet",
    panels: Mapping[str, PanelPicture],
    view: ContentProjection,
    /,
    *,
    pupil_mm: ArrayLike,
    luminance: "LuminanceMaps | None" = None,
    step_px: float = VIEW_STEP_PX,
    scans: Mapping[str, PanelScan | None] | None = None,
    head: HeadTurn | None = None,
    threads: int = 1,
) -> NDArray[np.uint8]:
    """Return what an eye at `pupil_mm` sees of the panels, (height, width, 3) 8-bit sRGB; row 0 is the top.

    Parameters
    ----------
    fields : FieldSet
        All channels and colours.
    panels : mapping
        Channel name to the picture on its panel; channels left out are dark.
    view : ContentProjection
        Size and projection of the view picture.
    pupil_mm : (3,) float array
        Where the pupil truly is, mm.
    luminance : LuminanceMaps, optional
        How bright the panels look; evenly lit if not given.
    scans, head : mapping, HeadTurn, optional
        The head turns while panels are lit, and the eye keeps still in the world: what it sees, in the pose
        drawn for. Persistence is left out: every line is seen at the middle of its time.
    step_px, threads
        See `prewarp.mesh.view_mesh` and `perceived_light`.
    """
    maps = {
        channel: view_maps(
            fields,
            channel,
            view,
            pupil_mm=pupil_mm,
            luminance=luminance,
            step_px=step_px,
            scan=(scans or {}).get(channel),
            head=head,
        )
        for channel in panels
    }
    return encode_view(perceived_light(panels, maps, view, threads=threads))


def view_maps(
    fields: "FieldSet",
    channel: str,
    view: View,
    /,
    *,
    pupil_mm: ArrayLike,
    luminance: "LuminanceMaps | None" = None,
    step_px: float = VIEW_STEP_PX,
    scan: PanelScan | None = None,
    head: HeadTurn | None = None,
) -> tuple[SplineLattice, ...]:
    """Return the maps of red, green and blue from view px to panel px, and luminance where given.

    `scan`, `head`: see `perceived_view`.
    """

    def seen(colour: str) -> "Field | TurningField":
        field = fields.field(channel, colour)
        if head is None or head.is_still:
            return field
        return TurningField(field, require_scan(scan, channel), head)

    return for_planes(
        fields.colours,
        lambda colour: view_mesh(
            seen(colour),
            view,
            pupil_mm=pupil_mm,
            step_px=step_px,
            luminance=None if luminance is None else luminance.map(channel, colour),
        ),
    )


class _RowReader:
    """Reads a spline at the pixel centres of whole rows, one small matrix product a chunk."""

    def __init__(self, spline: SplineLattice, width: int, height: int) -> None:
        # Columns are done once for all rows.
        self._across = spline.on_columns(np.arange(width, dtype=float) + 0.5).astype(np.float32)
        self._rows = spline.basis(np.arange(height, dtype=float) + 0.5, axis=1).astype(np.float32)

    def read(self, rows: slice) -> NDArray[np.float32]:
        """Return components (k, pixels of the rows)."""
        weights = self._rows[rows]
        used = np.flatnonzero(weights.any(axis=0))
        first, last = used[0], used[-1] + 1
        return (weights[:, first:last] @ self._across[:, first:last]).reshape(len(self._across), -1)


def _for_chunks(work: Callable[[slice], None], width: int, height: int, threads: int) -> None:
    if threads < 1:
        raise RenderError(f"threads is {threads}; expected 1 or more.")
    step = max(_CHUNK_PX // width, 1)
    chunks = [slice(start, min(start + step, height)) for start in range(0, height, step)]
    if threads == 1:
        for chunk in chunks:
            work(chunk)
        return
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, chunks))
