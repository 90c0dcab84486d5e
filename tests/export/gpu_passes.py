"""What a device does with the format "gpu": uploads a pupil position, draws the passes of a package."""

import json

import numpy as np

from prewarp.export.ktx2 import texture_from_ktx2
from prewarp.export.shader_text import COMPUTE_OF
from tests.export.drawing_jobs import content_light, entry_of

FILTERED = ("t_shares", "t_depths", "t_content")


class GpuPasses:
    """The passes of one package in one dialect; textures are made once, targets stay on the GPU."""

    def __init__(self, context, folder, dialect, content, pupil_mm):
        self.context, self.folder, self.dialect, self.content = context, folder, dialect, content
        self.manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
        self.channels = [one["channel"] for one in self.manifest["channels"]]
        self.files = {}
        self.move(pupil_mm)

    def move(self, pupil_mm):
        """Draw what follows the pupil."""
        block = np.array([*pupil_mm, 0.0], dtype="<f4")
        assert block.nbytes == 16
        self.pupil = self.context.buffer(block.tobytes())
        self.terms, self.nodes, self.shares = {}, {}, {}
        for channel in self.channels:
            numbers = self.stored(channel, "t_numbers")
            stage = self.stage("prepare.frag")
            (self.terms[channel],) = self.drawn(stage, {"t_numbers": numbers}, (numbers.width, 2))
            stage = self.stage("nodes.frag", channel)
            own = stage["details"]
            given = {"t_terms": self.terms[channel]}
            if "t_gain_numbers" in [one["name"] for one in own["samplers"]]:
                given["t_gain_numbers"] = self.stored(channel, "t_gain_numbers")
            (self.nodes[channel],) = self.drawn(stage, given, (own["columns"], 3 * own["rows"]))
        if self.has("shares.frag"):
            points = self.stored(None, "t_border_points")
            given = {"t_border_points": points} | {
                f"t_terms_{k}": self.terms[channel] for k, channel in enumerate(self.channels)
            }
            (borders,) = self.drawn(self.stage("borders.frag"), given, points.size)
            given = {"t_borders": borders, "t_claim_numbers": self.stored(None, "t_claim_numbers")}
            stage = self.stage("shares.frag")
            constants = {one["name"]: one["values"] for one in stage["details"]["constants"]}
            size = tuple(int(count) for count in constants["u_texels"])
            found = self.drawn(stage, given, size, dtype="f2")
            self.shares = dict(zip(("t_shares", "t_depths"), found, strict=False))

    def has(self, step):
        """Return whether there is a stage."""
        return any(one["details"].get("step") == step for one in self.manifest["files"])

    def stage(self, step, channel=None):
        """Return the manifest's entry of a stage."""
        dialect = COMPUTE_OF[self.dialect] if step.endswith(".comp") else self.dialect
        return entry_of(self.manifest, "shader", step=step, channel=channel, dialect=dialect)

    def text(self, entry, rows_up=False):
        """Return a stage's text."""
        switch = "#define PREWARP_ROWS_UP 1\n" if rows_up else ""
        return (self.folder / entry["path"]).read_text(encoding="utf-8").replace("\n", "\n" + switch, 1)

    def stored(self, channel, sampler):
        """Return a texture of the package."""
        key = channel, sampler
        if key not in self.files:
            found = entry_of(self.manifest, "shader texture", channel=channel, sampler=sampler)
            texels = texture_from_ktx2((self.folder / found["path"]).read_bytes(), where=sampler).texels
            self.files[key] = self.texture(texels, sampler)
        return self.files[key]

    def texture(self, texels, sampler):
        """Return a texture of texels (rows, columns, components) as stored."""
        rows, columns, components = texels.shape
        kind = {"u1": "f1"}.get(texels.dtype.str[1:], texels.dtype.str[1:])
        data = np.ascontiguousarray(texels).tobytes()
        texture = self.context.texture((columns, rows), components, data, alignment=1, dtype=kind)
        texture.repeat_x = texture.repeat_y = False
        kept = self.context.LINEAR if sampler in FILTERED else self.context.NEAREST
        texture.filter = (kept, kept)
        return texture

    def drawn(self, entry, given, size, *, dtype="f4", vertex=None, vertices=3, rows_up=False, head=None):
        """Draw a fragment stage; return its targets."""
        vertex = vertex or entry_of(self.manifest, "shader", path="picture", dialect=self.dialect)
        program = self.context.program(
            vertex_shader=self.text(vertex, rows_up), fragment_shader=self.text(entry, rows_up)
        )
        names = {one["name"] for one in (*entry["details"]["samplers"], *vertex["details"]["samplers"])}
        assert names == set(given)
        self.bind(program, given, head)
        count = len(entry["details"]["outputs"])
        targets = [self.context.texture(size, 4, dtype=dtype) for _ in range(count)]
        for target in targets:
            kept = self.context.LINEAR if dtype == "f2" else self.context.NEAREST
            target.filter, target.repeat_x, target.repeat_y = (kept, kept), False, False
        frame = self.context.framebuffer(targets)
        frame.use()
        frame.clear(-1.0, -1.0, -1.0, -1.0)
        self.context.vertex_array(program, []).render(vertices=vertices)
        return targets

    def bind(self, program, given, head):
        """Give a program its textures by name, and blocks."""
        for unit, (name, texture) in enumerate(given.items()):
            texture.use(unit)
            program[name].value = unit
        if "PrewarpPupil" in program:
            self.pupil.bind_to_uniform_block(2)
            program["PrewarpPupil"].binding = 2
        if head is not None:
            self.head = self.context.buffer(np.array(head, dtype="<f4").tobytes())
            self.head.bind_to_uniform_block(3)
            program["PrewarpHead"].binding = 3

    def given(self, channel, entry):
        """Return the textures that the last stage of a channel reads."""
        found = {}
        for one in entry["details"]["samplers"]:
            name = one["name"]
            if name.startswith("t_content"):
                light = content_light(self.content)
                found[name] = self.texture(light.astype(np.float16) if name == "t_content" else light, name)
            elif name in self.shares:
                found[name] = self.shares[name]
            elif name == "t_nodes":
                found[name] = self.nodes[channel]
            else:
                found[name] = self.stored(channel, name)
        return found

    def panel(self, channel, *, rows_up=False, head=None):
        """Draw a panel by triangles; return (rows, columns, 4), row 0 the target's first."""
        fragment = entry_of(
            self.manifest, "shader", channel=channel, path="mesh", dialect=self.dialect, stage="fragment"
        )
        vertex = self.stage("nodes.vert", channel)
        own = vertex["details"]
        given = {**self.given(channel, fragment), "t_nodes": self.nodes[channel]}
        count = 6 * (own["columns"] - 1) * (own["rows"] - 1)
        size = self.size(channel)
        (target,) = self.drawn(
            fragment, given, size, vertex=vertex, vertices=count, rows_up=rows_up, head=head
        )
        return read(target)

    def computed(self, channel, *, rows_up=False, head=None):
        """Let the compute form write a panel; return (rows, columns, 4)."""
        entry = self.stage("panel.comp", channel)
        text = self.text(entry, rows_up)
        program = self.context.compute_shader(text)
        self.bind(program, self.given(channel, entry), head)
        stored = "f1" if "(rgba8, " in text else "f2" if "(rgba16f, " in text else "f4"
        size = self.size(channel)
        target = self.context.texture(size, 4, dtype=stored)
        target.bind_to_image(0, read=False, write=True)
        across, down = entry["details"]["group_px"]
        program.run(-(-size[0] // across), -(-size[1] // down))
        self.context.memory_barrier()
        self.context.finish()
        return read(target)

    def size(self, channel):
        """Return a panel's width and height."""
        return tuple(self.manifest["channels"][self.channels.index(channel)]["panel_size_px"])


def read(texture):
    """Return a texture's texels (rows, columns, 4), as floats."""
    kinds = {"f1": np.uint8, "f2": np.float16, "f4": np.float32}
    values = np.frombuffer(texture.read(alignment=1), kinds[texture.dtype]).reshape(*texture.size[::-1], 4)
    return values / np.float32(255.0) if texture.dtype == "f1" else values.astype(np.float32)
