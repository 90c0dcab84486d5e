"""How long the exported vertex-mesh shaders take, beside a bare three-colour mesh in the same run.

Bare: 65 x 65 nodes, one draw, three taps from an 8-bit texture of panel size by the texture unit, 8-bit
target.
Options of an export follow, each with its turn in every batch, the least of all batches told; then
the same with meshes and shares made on the GPU: passes of a moved pupil, triangles, the compute form. Last
figures: DEVELOPERS.md.
`python -m tests.bench.bench_device [--size 2560] [--json]`.
"""

import argparse
import json
from dataclasses import replace

import numpy as np

from prewarp.content import ContentProjection
from prewarp.encoding import TransferFunction
from prewarp.export.build import DeviceBuild
from prewarp.export.gltf import triangle_indices
from prewarp.export.ktx2 import texture_from_ktx2
from prewarp.export.lookup_files import with_light
from prewarp.export.shader_files import EXACT, FILTERED, KIND, shader_package_files
from prewarp.export.shader_text import GLSL
from prewarp.export.shader_textures import KIND as TEXTURE
from prewarp.export.share_textures import ShareMap
from prewarp.lookup import Optimiser
from prewarp.render.drawing import is_software
from prewarp.render.gpu import has_compute, open_context
from prewarp.seam import build_seam
from tests.bench.bench_preview import Stopwatch, light_match, pupil
from tests.bench.gpu_panels import GpuPanels
from tests.closed_form import EYE_BOX_CORNERS, plane_set, two_channels
from tests.eyes import closed_form_eye
from tests.render.scenes import hard_scene

NODES = 65
GOALS = {FILTERED: (2.0, 3.0), EXACT: (3.0, 3.5)}
PUPIL = np.array([1.5, -1.0, 0.5])
_BARE_VERTEX = """#version 330 core
in vec2 in_place; in vec2 in_red; in vec2 in_green; in vec2 in_blue;
out vec2 v_red; out vec2 v_green; out vec2 v_blue;
void main() { v_red = in_red; v_green = in_green; v_blue = in_blue; gl_Position = vec4(in_place, 0.0, 1.0); }
"""
_BARE_FRAGMENT = """#version 330 core
uniform sampler2D t_content;
in vec2 v_red; in vec2 v_green; in vec2 v_blue;
out vec4 out_light;
void main() {
    out_light = vec4(texture(t_content, v_red).r, texture(t_content, v_green).g, 0.0, 1.0);
    out_light.b = texture(t_content, v_blue).b;
}
"""
GL_SRGB8_ALPHA8 = 0x8C43


class Panel:
    """One panel drawn by two stages, their vertices and textures."""

    def __init__(self, context, size, texts, attributes, textures):
        self._context, self._textures = context, []
        self._program = context.program(vertex_shader=texts[0], fragment_shader=texts[1])
        for unit, (name, texture) in enumerate(textures.items()):
            if name in self._program:
                self._program[name] = unit
                self._textures.append((unit, texture))
        buffers = [
            (context.buffer(np.ascontiguousarray(values, "<f4").tobytes()), f"{values.shape[1]}f4", name)
            for name, values in attributes.items()
            if name in self._program
        ]
        indices = context.buffer(triangle_indices(NODES, NODES).tobytes())
        self._array = context.vertex_array(self._program, buffers, index_buffer=indices)
        self._frame = context.framebuffer([context.texture((size, size), 4)])

    def draw(self):
        """Draw into the panel's own 8-bit target."""
        self._frame.use()
        for unit, texture in self._textures:
            texture.use(unit)
        self._array.render()

    def read(self):
        """Return the codes (rows, columns, 3)."""
        size = self._frame.size
        return np.frombuffer(self._frame.read(components=3), np.uint8).reshape(size[1], size[0], 3)


def filtered_texture(context, values, dtype="f2", **options):
    """Return a texture (rows, columns, 4) read by the texture unit's linear filter, clamped to its edge."""
    rows, columns = values.shape[:2]
    texture = context.texture(
        (columns, rows), 4, np.ascontiguousarray(values).tobytes(), dtype=dtype, **options
    )
    texture.filter = (context.LINEAR, context.LINEAR)
    texture.repeat_x = texture.repeat_y = False
    return texture


def node_attributes(build, channel, matched):
    """Return vertex data of a channel: node places, directions, gains."""
    width, height = build.panel_size_px(channel)
    u, v = np.linspace(0.0, width, NODES), np.linspace(0.0, height, NODES)
    pixel = np.stack(np.meshgrid(u, v), axis=-1)
    found = {"in_panel_px": pixel.reshape(-1, 2)}
    for plane, colour in zip(("red", "green", "blue"), "RGB", strict=True):
        tangent = build.fields.field(channel, colour).forward_lattice(u, v, pupil_mm=PUPIL)
        gain = np.ones(tangent.shape[:-1])
        if matched:
            gain = build.match.gain(channel, colour, pixel, tangent, pupil_mm=PUPIL)
        found[f"in_direction_{plane}"] = tangent.reshape(-1, 2)
        found[f"in_gain_{plane}"] = gain.reshape(-1, 1)
    return found


def bare_attributes(build, channel, attributes):
    """Return vertex data of the bare mesh."""
    size = np.array(build.content.size_px)
    place = 2.0 * attributes["in_panel_px"] / build.panel_size_px(channel) - 1.0
    return {"in_place": place} | {
        f"in_{plane}": build.content.pixel_from_tangent(attributes[f"in_direction_{plane}"]) / size
        for plane in ("red", "green", "blue")
    }


def shipped(context, build, channel, size, sampling, attributes, contents, shares):
    """Return a panel by the text that an export writes."""
    texts, textures = stages_of(context, build, channel, sampling)
    textures["t_shares"] = shares
    name = "t_content" if sampling == FILTERED else "t_content_linear"
    textures[name] = contents[sampling]
    return Panel(context, size, (texts["vertex"], texts["fragment"]), attributes, textures)


def stages_of(context, build, channel, sampling):
    """Return texts of the vertex-mesh path by stage, and its textures by sampler."""
    texts, textures = {}, {}
    for file in shader_package_files(build, channel, (GLSL,), None, {}, sampling=sampling):
        if file.kind == KIND and file.details["path"] == "mesh":
            texts[file.details["stage"]] = file.data.decode("utf-8")
        elif file.kind == TEXTURE:
            texels = texture_from_ktx2(file.data, where=file.path).texels
            rows, columns = texels.shape[:2]
            form = {"u": "f1", "f": f"f{texels.dtype.itemsize}"}[texels.dtype.kind]
            texture = context.texture((columns, rows), texels.shape[2], texels.tobytes(), dtype=form)
            texture.filter = (context.NEAREST, context.NEAREST)
            textures[file.details["sampler"]] = texture
    return texts, textures


def gpu_measured(context, build, sampling, contents, watch):
    """Return ms by name where everything is made on the GPU, and codes of the first panel by both forms."""
    size = build.panel_size_px(build.channels[0])[0]
    box = np.stack([EYE_BOX_CORNERS.min(axis=0), EYE_BOX_CORNERS.max(axis=0)])
    optimiser = Optimiser(
        build.fields, pupil_box_mm=box, content=build.content, panel_points=21, pupil_counts=(3, 3, 3)
    )
    # As much of the panel as a quarter of a pixel is of 2560.
    lookup = with_light(optimiser.search(size / 10240.0, "chebyshev")[0], build)
    texts, textures = zip(
        *(stages_of(context, build, name, sampling) for name in build.channels), strict=True
    )
    given = {**textures[0], "t_content" if sampling == FILTERED else "t_content_linear": contents[sampling]}
    fragments = {name: text["fragment"] for name, text in zip(build.channels, texts, strict=True)}
    panels = GpuPanels(context, build, lookup, (NODES, NODES), fragments, given, sampling=sampling)
    found = {
        "GPU: passes of a moved pupil": watch.ms(lambda number: panels.move(pupil(number))),
    }
    panels.move(PUPIL)
    found[f"GPU: {sampling}, triangles"] = watch.ms(lambda number: panels.draw())
    found[f"GPU: {sampling}, compute form"] = watch.ms(lambda number: panels.compute())
    return found, panels.codes(), panels.codes(computed=True)


def measured(context, size, watch):
    """Return ms by name, two panels each, and how codes of the two samplings differ."""
    fields = plane_set(*two_channels((size, size)))
    content = ContentProjection("flat", (size, size), 70.0)
    seam = build_seam(fields, pupils_mm=EYE_BOX_CORNERS)
    image = hard_scene(size, size)
    opaque = np.full((size, size, 4), 255, dtype=np.uint8)
    opaque[..., :3] = image
    light = np.ones((size, size, 4), dtype=np.float16)
    light[..., :3] = TransferFunction().linear_from_encoded(image / 255.0)
    plain = filtered_texture(context, opaque, "f1")
    contents = {
        FILTERED: filtered_texture(context, opaque, "f1", internal_format=GL_SRGB8_ALPHA8),
        EXACT: filtered_texture(context, light),
    }
    shares = filtered_texture(context, ShareMap(seam, content).textures(PUPIL)["t_shares"].astype(np.float16))
    match = light_match(fields, seam, size)
    eyes = {
        "shares": closed_form_eye(fields, seam=seam, content=content),
        "shares, gains": closed_form_eye(fields, seam=seam, content=content, match=match),
    }
    builds = {name: DeviceBuild(eye, PUPIL[None]) for name, eye in eyes.items()}
    builds["shares, gains, dither"] = replace(builds["shares, gains"], dither="blue")
    works, codes = {}, {}

    def drawn(panels):
        def both(number):
            for panel in panels:
                panel.draw()

        return both

    first = builds["shares"]
    attributes = {name: node_attributes(first, name, False) for name in first.channels}
    bare = [
        Panel(context, size, (_BARE_VERTEX, _BARE_FRAGMENT), bare_attributes(first, name, attributes[name]),
              {"t_content": plain})
        for name in first.channels
    ]  # fmt: skip
    works["bare three-colour mesh"] = drawn(bare)
    for sampling in (FILTERED, EXACT):
        for told, build in builds.items():
            panels = [
                shipped(context, build, name, size, sampling,
                        node_attributes(build, name, "gains" in told), contents, shares)
                for name in build.channels
            ]  # fmt: skip
            works[f"{sampling}: {told}"] = drawn(panels)
            panels[0].draw()
            codes[sampling, told] = panels[0].read().astype(int)
    found = watch.ms_by_turns(works, batches=12)
    told = "shares, gains"
    if has_compute(context):
        times, triangles, computed = gpu_measured(context, builds[told], FILTERED, contents, watch)
        found |= times
        for name, picture in (("GPU triangles", triangles), ("GPU compute form", computed)):
            codes[name] = np.abs(picture - codes[FILTERED, told])
    off = np.abs(codes[FILTERED, told] - codes[EXACT, told])
    return found, {
        "largest": int(off.max()),
        "99.9 %": float(np.percentile(off, 99.9)),
        "mean": float(off.mean()),
        **{
            f"{name} less nodes of the fit, 99.9 %": float(np.percentile(codes[name], 99.9))
            for name in ("GPU triangles", "GPU compute form")
            if name in codes
        },
    }


def main():
    """Parse options, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=2560, help="width and height of panels and content, px")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    options = parser.parse_args()
    with open_context() as context:
        software = is_software(context.info["GL_RENDERER"])
        size = min(options.size, 960) if software else options.size
        watch = Stopwatch(context, batches=3 if software else 7, repeats=3 if software else 20)
        found, off = measured(context, size, watch)
        renderer = context.info["GL_RENDERER"]
    bare = found["bare three-colour mesh"]
    result = {"renderer": renderer, "size_px": size, "ms": found, "codes_filtered_less_exact": off}
    if options.json:
        print(json.dumps(result, indent=2, sort_keys=True))
        return
    print(f"{renderer}; two panels of {size} x {size} px")
    for name, value in found.items():
        sampling = name.partition(":")[0]
        goal = GOALS.get(sampling)
        aim = "" if goal is None else f"   goal {goal[1 if software else 0]:g}"
        print(f"  {name:40s} {value:9.3f} ms {value / bare:7.2f} x bare{aim}")
    print("codes of 255, filtered less exact, hard scene:", off)


if __name__ == "__main__":
    main()
