"""How long a frame of the report's live page takes through EGL, by the texts and numbers that the page holds.

All passes of one frame are drawn: terms, nodes, borders and shares of light for a moved pupil, both panels as
large as the page draws them, their light, the view of 960 x 960 px. It is more than the page draws: all cells
by the text that reads shares of light, shares everywhere, all of the view. Times are medians of `REPEATS`, by
`glFinish` and the wall.
`python -m tests.bench.bench_live [--data FILE] [--write FILE] [--json]`: `--write` keeps what the page would
hold for the coaxial demo, which takes a minute or more to make; `--data` reads it back.
Goal: at most 4 ms on a data-centre GPU. Last figures, H200: meshes and shares 0.40 to 0.45 ms, panels
(456 x 366 px) 0.60 to 0.67, view 0.93 to 1.01, all of it 1.93 to 2.10.
"""

import argparse
import base64
import gzip
import json
import tempfile
import time
from pathlib import Path

import numpy as np

from prewarp.render.gpu import open_context

SIZE = (960, 960)
REPEATS, WARM = 60, 10
PUPIL = (1.5, -1.0, 0.5)
GL_FRAMEBUFFER_SRGB = 0x8DB9


def demo_data():
    """Return what the page holds for the coaxial demo: its eye, and the texts of its view."""
    import prewarp
    from prewarp.export.build import DeviceBuild
    from prewarp.lookup.blob_reading import lookup_from_blob
    from prewarp.report.live.eye_data import eye_data
    from prewarp.report.live.part import common_texts

    module = prewarp.read_module("calib/coaxial.module.toml")
    grid = prewarp.read_grid("calib/coaxial.grid.npz")
    eye = prewarp.assemble_eye(prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px), module)
    with tempfile.TemporaryDirectory(prefix="prewarp-") as working:
        prewarp.write_package(Path(working) / "visor", eye, formats=("lookup",))
        lookup = lookup_from_blob((Path(working) / "visor/lookup/lookup.prewarp").read_bytes())
    return {"eye": eye_data(DeviceBuild(eye, np.zeros((1, 3))), lookup), "common": common_texts()}


class Frame:
    """The page's passes for one eye, as its scripts draw them."""

    def __init__(self, context, data):
        self.context, self.eye, self.common = context, data["eye"], data["common"]
        picture = self.eye["texts"]["picture.vert"]
        stage = {
            name: self._program(picture, text) for name, text in self.eye["texts"].items() if ".frag" in name
        }
        self.stage = stage | {
            name: self._program(picture, self.common[f"{name}.frag"]) for name in ("decode", "encode")
        }
        focal, size = self.eye["content"]["focal_px"], self.eye["content"]["size_px"]
        self.scale = focal * min(SIZE[0] / size[0], SIZE[1] / size[1])
        shrink = max(1.0, max(one["px_per_plane"] for one in self.eye["channels"]) / self.scale)
        level = int(np.log2(shrink) + 1e-6) - self.eye["content"]["first_halvings"]
        self.level = min(max(level, 0), len(self.eye["content"]["levels_px"]) - 1)
        self.view_program = self._program(self.common["view_0.vert"], self.common["view.frag"])
        self.pupil = context.buffer(np.array([*PUPIL, 0.0], dtype="<f4").tobytes())
        self.channels = [self._channel(one, shrink) for one in self.eye["channels"]]
        textures = self.eye["textures"]
        self.points, self.claims = (
            self._stored(textures[name]) for name in ("t_border_points", "t_claim_numbers")
        )
        self.borders = self._target(self.points.size, "f4")
        self.shares = self._target(self.eye["texels"], "f4")
        columns, rows = self.eye["content"]["levels_px"][self.level]
        light = np.random.default_rng(1).uniform(0.0, 1.0, (rows, columns, 4)).astype("<f4")
        self.content = context.texture((columns, rows), 4, light.tobytes(), dtype="f4")
        self.view, self.shown = self._target(SIZE, "f4"), self._target(SIZE, "f1")

    def _program(self, vertex, fragment):
        return self.context.program(vertex_shader=vertex, fragment_shader=fragment)

    def _stored(self, one):
        return self.context.texture(
            (one["columns"], one["rows"]), one["components"], base64.b64decode(one["data"]), dtype=one["kind"]
        )

    def _target(self, size, kind, *, components=4, count=1):
        textures = [self.context.texture(tuple(size), components, dtype=kind) for _ in range(count)]
        for one in textures:
            one.filter = (self.context.NEAREST, self.context.NEAREST)
            one.repeat_x = one.repeat_y = False
        return self.context.framebuffer(textures)

    def _channel(self, one, shrink):
        columns, rows = one["nodes"]
        size = [
            int(np.ceil(length / shrink / ((n - 1) / 16)) * ((n - 1) / 16))
            for length, n in zip(one["panel_px"], one["nodes"], strict=True)
        ]
        texts = one["levels"][self.level]["after"]
        across, down = columns + 2, rows + 2
        node = np.arange(across * down, dtype="<i4").reshape(down, across)
        a, b, c, d = node[:-1, :-1], node[:-1, 1:], node[1:, :-1], node[1:, 1:]
        indices = np.stack([a, c, d, a, d, b], axis=-1).astype("<i4")
        numbers = self._stored(one["textures"]["t_numbers"])
        return {
            **one,
            "size": size,
            "numbers": numbers,
            "terms": self._target((numbers.width, 2), "f4"),
            "shown": self._target((columns, 3 * rows), "f4"),
            "make": self._program(self.eye["texts"]["picture.vert"], one["texts"]["nodes.frag"]),
            "draw": self._program(texts["nodes.vert"], texts["mesh.frag"]),
            "codes": self._target(size, "f1"),
            "panel": self._target(size, "f4", components=1, count=3),
            "of_code": self.context.texture(
                (len(one["light"]), 1), 1, np.array(one["light"], "<f4").tobytes(), dtype="f4"
            ),
            "array": self.context.vertex_array(
                self.view_program, [], index_buffer=self.context.buffer(indices.tobytes())
            ),
        }

    def _draw(self, target, program, vertices, textures):
        target.use()
        for unit, (name, texture) in enumerate(textures.items()):
            if name in program:
                texture.use(unit)
                program[name] = unit
        if "PrewarpPupil" in program:
            self.pupil.bind_to_uniform_block(2)
            program["PrewarpPupil"].binding = 2
        self.context.vertex_array(program, []).render(vertices=vertices)

    def meshes(self):
        """Draw what a moved pupil needs."""
        for one in self.channels:
            self._draw(one["terms"], self.stage["prepare.frag"], 3, {"t_numbers": one["numbers"]})
            self._draw(one["shown"], one["make"], 3, {"t_terms": one["terms"].color_attachments[0]})
        terms = {f"t_terms_{k}": one["terms"].color_attachments[0] for k, one in enumerate(self.channels)}
        self._draw(self.borders, self.stage["borders.frag"], 3, {"t_border_points": self.points, **terms})
        given = {"t_borders": self.borders.color_attachments[0], "t_claim_numbers": self.claims}
        self._draw(self.shares, self.stage["shares.frag"], 3, given)

    def panels(self):
        """Draw the panels, and their light."""
        for one in self.channels:
            columns, rows = one["nodes"]
            given = {
                "t_nodes": one["shown"].color_attachments[0],
                "t_shares": self.shares.color_attachments[0],
                "t_content_linear": self.content,
            }
            self._draw(one["codes"], one["draw"], 6 * (columns - 1) * (rows - 1), given)
            given = {"t_panel_encoded": one["codes"].color_attachments[0], "t_light": one["of_code"]}
            self._draw(one["panel"], self.stage["decode"], 3, given)

    def look(self):
        """Draw the view."""
        self.view.use()
        self.view.clear()
        self.context.enable_only(self.context.BLEND)
        self.context.blend_func = self.context.ONE, self.context.ONE
        program = self.view_program
        for one in self.channels:
            one["shown"].color_attachments[0].use(0)
            for unit, plane in enumerate(one["panel"].color_attachments, start=1):
                plane.use(unit)
            values = {
                "t_nodes": 0,
                "t_red": 1,
                "t_green": 2,
                "t_blue": 3,
                "u_nodes": tuple(one["nodes"]),
                "u_panel_px": tuple(map(float, one["panel_px"])),
                "u_turn_rad_per_s": (0.0, 0.0, 0.0),
                "u_lit_s": (0.0, 0.0, 0.0),
                "u_view_middle": (SIZE[0] / 2, SIZE[1] / 2),
                "u_view_scale": (self.scale, -self.scale),
                "u_view_px": tuple(map(float, SIZE)),
                "u_drawn_px": tuple(map(float, one["size"])),
                "u_exposure": 1.0,
            }
            for name, value in values.items():
                program[name] = value
            one["array"].render()
        self.context.enable_only(self.context.NOTHING)
        self._draw(self.shown, self.stage["encode"], 3, {"t_view_linear": self.view.color_attachments[0]})

    def whole(self):
        """Draw all of a frame."""
        self.meshes()
        self.panels()
        self.look()


def milliseconds(context, work):
    """Return the median of a pass."""
    times = []
    for turn in range(WARM + REPEATS):
        context.finish()
        begin = time.perf_counter()
        work()
        context.finish()
        if turn >= WARM:
            times.append(1000.0 * (time.perf_counter() - begin))
    return float(np.median(times))


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--data", type=Path, help="what --write kept")
    parser.add_argument("--write", type=Path, help="keep the data, and time nothing")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    data = demo_data() if options.data is None else json.loads(gzip.decompress(options.data.read_bytes()))
    if options.write is not None:
        options.write.write_bytes(gzip.compress(json.dumps(data).encode()))
        return
    with open_context() as context:
        frame = Frame(context, data)
        found = {
            name: milliseconds(context, getattr(frame, name))
            for name in ("meshes", "panels", "look", "whole")
        }
        picture = np.frombuffer(frame.shown.read(components=3), np.uint8)
        told = {
            "renderer": context.info["GL_RENDERER"],
            "panels_px": [one["size"] for one in frame.channels],
            "view_px": list(SIZE),
            "lit": float(np.mean(picture > 0)),
            "milliseconds": found,
        }
    if options.json:
        print(json.dumps(told))
        return
    print(f"{told['renderer']}; panels {told['panels_px']} px, {told['lit']:.0%} of the view lit")
    for name, value in found.items():
        print(f"  {name:8s} {value:8.2f} ms")


if __name__ == "__main__":
    main()
