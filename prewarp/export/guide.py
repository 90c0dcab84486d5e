"""`GUIDE.md` of a package: how its parts go together, for the engineer who gets the folder and nothing else."""

from prewarp.export.build import DeviceBuild
from prewarp.export.package_file import FRAMES, PackageFile

PATH = "GUIDE.md"
_TEXT = """\
# How to use this package

It holds the pre-warp maps of {channels}, for a {width} x {height} px content picture, over the eye box {low} to {high} mm.
`manifest.json` lists every file with its hash, array shapes, units, frames, texel conventions and the errors reached;
`manifest.schema.json` is its JSON Schema. `prewarp verify FOLDER` checks all of it again; do so after every copy.

## Frames and units
{frames}

## Choose one path per device
| path | per pupil update | per pixel | files |
|---|---|---|---|
| mesh | C evaluator: `prewarp_prepare` per colour, `prewarp_meshes` per channel, `prewarp_weight`, `prewarp_gain` per node; upload nodes | interpolated | `lookup/`, `c/`, `*_mesh.vert`, `*_mesh.frag` |
| polynomial | C evaluator: `prewarp_prepare` per colour; upload the uniform block | Chebyshev sum | `lookup/`, `c/`, `picture.vert`, `*_polynomial.frag`, `textures/*_weight.ktx2` |
| table | choose the textures of the nearest pupil position | spline from 16 texels a colour | `textures/*_pNNN.ktx2`, `picture.vert`, `*_table.frag` |

Table, glTF, CSV and PNG files hold the pupil positions `pupils_mm` of the manifest (`pNNN` counts them) and are exact there alone:
in between use the lookup. The lookup serves every position of the eye box.

## Drawing
1. Decode the content picture to linear light and put it into a texture, row 0 its top row (half floats are enough).
2. Target: the panel's size, storing bytes unchanged (no sRGB conversion, no blending). Shaders give code / largest code.
3. Row 0 of the target is the panel's top row. In a window of OpenGL it is the bottom row: define `PREWARP_ROWS_UP` as 1 in every stage.
4. Bind textures by the names in the manifest (Vulkan: set 0 and the bindings there). All texels are fetched one by one: filters do not
   matter, and must not be relied on, since many GPUs filter with 8 bits.
5. Mesh path: attribute locations are in the manifest; `in_panel_px` is `_PANEL_PX` of the glTF file, `in_direction_*` its `_DIRECTION_*`,
   `in_weight_*` its `_WEIGHT_*`. In place of it, nodes from `prewarp_meshes` are evenly spaced from edge to edge.
6. Polynomial path: term k of the block holds tangents (red x, y, green x, y) and (blue x, y, -, -): what `prewarp_prepare` gives per colour is
   all tx, then all ty; add the base's numbers to those of a map that has one. `shaders/blocks/*.bin` show it for `pupils_mm`.

C evaluator: C99, no allocation, no global state. Compile with `-std=c99 -ffp-contract=off -O3` and for the part's own instructions
(`-march=native`, `-mcpu=...`: on a PC meshes take little more than half the time). `prewarp_lookup.h` explains every call. Check every status.

## Cautions
{cautions}
"""


def guide_file(build: DeviceBuild, cautions: tuple[str, ...], /) -> PackageFile:
    """Return `GUIDE.md`."""
    low, high = (", ".join(f"{value:g}" for value in end) for end in build.pupil_box_mm)
    names = [f"'{' '.join(name.split())}'" for name in build.channels]
    text = _TEXT.format(
        channels=f"channel{'s' if len(names) > 1 else ''} {', '.join(names)}",
        width=build.content.size_px[0],
        height=build.content.size_px[1],
        low=f"({low})",
        high=f"({high})",
        frames="\n".join(f"- {name}: {meaning}" for name, meaning in FRAMES.items()),
        cautions="\n".join(f"- {line}" for line in cautions),
    )
    return PackageFile(PATH, text.encode(), "guide", "how the parts of the package go together")
