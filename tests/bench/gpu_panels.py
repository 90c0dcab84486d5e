"""Panels of an eye whose meshes and shares are made on the GPU, from the texts of the format "gpu"."""

import numpy as np

from prewarp.export.gpu_files import GROUP_PX, gpu_files
from prewarp.export.ktx2 import texture_from_ktx2
from prewarp.export.shader_files import KIND, picture_files
from prewarp.export.shader_text import COMPUTE_OF, GLSL
from prewarp.export.shader_textures import KIND as TEXTURE
from prewarp.export.share_textures import texel_count


class GpuPanels:
    """Both panels of `build` by its lookup: `move` draws what follows the pupil, `draw` and `compute` panels.

    `fragments`: text of the fragment stage of each channel. `textures`: what those read besides, by sampler.
    """

    def __init__(self, context, build, lookup, nodes, fragments, textures, *, sampling):
        self._context, self._build, self._textures = context, build, textures
        files = list(
            gpu_files(build, lookup, dict.fromkeys(build.channels, nodes), (GLSL,), sampling=sampling)
        )
        (picture,) = [file.data.decode() for file in picture_files((GLSL,))]
        texts = {
            (one.details["channel"], one.details["step"]): one.data.decode()
            for one in files
            if one.kind == KIND
        }
        stored = {
            (one.details["channel"], one.details["sampler"]): self._stored(one)
            for one in files
            if one.kind == TEXTURE
        }
        self._pupil = context.buffer(reserve=16)
        self.passes, self._panels, self._kernels = [], [], []
        terms = []
        for channel in build.channels:
            numbers = stored[channel, "t_numbers"]
            terms.append(self._target((numbers.width, 2)))
            prepare = self._program(picture, texts[None, "prepare.frag"])
            self.passes.append((prepare, {"t_numbers": numbers}, context.framebuffer([terms[-1]])))
            columns, rows = nodes
            made = self._target((columns, 3 * rows))
            given = {"t_terms": terms[-1]}
            if (channel, "t_gain_numbers") in stored:
                given["t_gain_numbers"] = stored[channel, "t_gain_numbers"]
            program = self._program(picture, texts[channel, "nodes.frag"])
            self.passes.append((program, given, context.framebuffer([made])))
            size, count = build.panel_size_px(channel), 6 * (columns - 1) * (rows - 1)
            read = {**textures, "t_nodes": made}
            target = context.texture(size, 4)
            array = self._program(texts[channel, "nodes.vert"], fragments[channel])
            self._panels.append((array, read, context.framebuffer([target]), count))
            assert GLSL in COMPUTE_OF
            kernel = context.compute_shader(texts[channel, "panel.comp"])
            groups = [-(-length // pixels) for length, pixels in zip(size, GROUP_PX, strict=True)]
            self._kernels.append((kernel, read, context.texture(size, 4), groups))
        points = stored[None, "t_border_points"]
        borders, shares = self._target(points.size), self._target(texel_count(build.content), "f2")
        given = {"t_border_points": points} | {f"t_terms_{k}": one for k, one in enumerate(terms)}
        self.passes += [
            (self._program(picture, texts[None, "borders.frag"]), given, context.framebuffer([borders])),
            (
                self._program(picture, texts[None, "shares.frag"]),
                {"t_borders": borders, "t_claim_numbers": stored[None, "t_claim_numbers"]},
                context.framebuffer([shares]),
            ),
        ]
        self._textures["t_shares"] = shares
        for _, read, *_ in (*self._panels, *self._kernels):
            read["t_shares"] = shares

    def move(self, pupil_mm):
        """Upload a pupil position and draw all that follows it."""
        self._pupil.write(np.array([*pupil_mm, 0.0], dtype="<f4").tobytes())
        self._pupil.bind_to_uniform_block(0)
        for array, given, frame in self.passes:
            self._drawn(array, given, frame, 3)

    def draw(self):
        """Draw all panels by triangles."""
        for array, given, frame, count in self._panels:
            self._drawn(array, given, frame, count)

    def compute(self):
        """Let the compute form write all panels."""
        for kernel, given, target, groups in self._kernels:
            self._bound(kernel, given)
            target.bind_to_image(0, read=False, write=True)
            kernel.run(*groups)
        self._context.memory_barrier()

    def codes(self, *, computed=False):
        """Return the first panel's codes (rows, columns, 3)."""
        target = self._kernels[0][2] if computed else self._panels[0][2].color_attachments[0]
        return np.frombuffer(target.read(), np.uint8).reshape(*target.size[::-1], 4)[..., :3].astype(int)

    def _drawn(self, array, given, frame, vertices):
        frame.use()
        self._bound(array.program, given)
        array.render(vertices=vertices)

    def _bound(self, program, given):
        for unit, (name, texture) in enumerate(given.items()):
            if name in program:
                texture.use(unit)
                program[name].value = unit

    def _program(self, vertex, fragment):
        program = self._context.program(vertex_shader=vertex, fragment_shader=fragment)
        if "PrewarpPupil" in program:
            program["PrewarpPupil"].binding = 0
        return self._context.vertex_array(program, [])

    def _target(self, size, kind="f4"):
        texture = self._context.texture(size, 4, dtype=kind)
        kept = self._context.LINEAR if kind == "f2" else self._context.NEAREST
        texture.filter, texture.repeat_x, texture.repeat_y = (kept, kept), False, False
        return texture

    def _stored(self, file):
        texels = texture_from_ktx2(file.data, where=file.path).texels
        texture = self._context.texture(texels.shape[1::-1], 4, texels.tobytes(), dtype="f4")
        texture.filter = (self._context.NEAREST, self._context.NEAREST)
        return texture
