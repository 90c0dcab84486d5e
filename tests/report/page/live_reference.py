"""The live picture by the CPU renderer: the same tables, scales, content, nothing of the page's shaders."""

import base64
from dataclasses import dataclass

import numpy as np

from prewarp.frames import turned_tangent
from prewarp.lookup import prepare
from prewarp.lookup.device import Status
from prewarp.lookup.device_light import PreparedLight
from prewarp.mesh import NODE_DEPTH_DEG, NodeLight, PanelMesh, panel_mesh
from prewarp.render.cpu import panel_picture
from prewarp.render.pictures import encode_view
from prewarp.render.sampling import sampling_plane

# PREWARP_SLIVER_DEG of `shaders/panel_share.glsl`: borders are as sure as that.
SLIVER_DEG = 0.02
# Of pixels that must be within a code.
SHARE = 0.999
_TURNING_STEPS = 3
# Fine, since a degree is few pixels of a small panel.
NODE_STEP_PX = 4.0

# Gives what was drawn, and with what: codes of the view, light of the content as it was read, scales.
READ = """(async () => {
  const { live } = prewarpLive;
  const { gl, content, state } = live;
  const text = (codes) => {
    let whole = "";
    for (let k = 0; k < codes.length; k += 32768) {
      whole += String.fromCharCode(...codes.subarray(k, k + 32768));
    }
    return btoa(whole);
  };
  live.draw();
  const pixels = text(live.view.pixels());
  const frame = gl.createFramebuffer();
  gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
  gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, content.texture, 0);
  const size = content.levels[content.level];
  const light = new Float32Array(4 * size[0] * size[1]);
  gl.readPixels(0, 0, ...size, gl.RGBA, gl.FLOAT, light);
  gl.deleteFramebuffer(frame);
  return {
    pixels, size, content: text(new Uint8Array(light.buffer)), outlook: live.outlook, level: content.level,
    tracked: live.tracked, pupil: state.pupil, turn: [0, state.head * Math.PI / 180, 0], late: state.late,
    show: state.show, eye: state.eye,
    drawn: live.passes.channels.map((one) => one.size(live.shrink)),
    rate: document.getElementById("live-rate").value,
  };
})()"""


@dataclass(frozen=True)
class Shown:
    """What the page drew, `pixels` (rows, columns, 3), and from what."""

    told: dict

    @property
    def pixels(self):
        return _texels(self.told["pixels"], self.told["outlook"]["width"], np.uint8)

    @property
    def content(self):
        """Light of the content (rows, columns, 3) as panels read it."""
        return _texels(self.told["content"], self.told["size"][0], "<f4")


def _texels(text, width, kind):
    return np.frombuffer(base64.b64decode(text), kind).reshape(-1, width, 4)[..., :3]


def reference(build, lookup, shown, *, exposure=1.0, step_px=NODE_STEP_PX, every=1):
    """Return the view (rows, columns, 3) that the page must show, of every n-th row.

    `exposure`: as the page's data say; `step_px`: of the panels' nodes.
    """
    told = shown.told
    outlook = told["outlook"]
    width, height = outlook["width"], outlook["height"]
    planes = [sampling_plane(shown.content[..., k], border="black") for k in range(3)]
    v, u = np.mgrid[0:height:every, 0:width] + 0.5
    plane = (np.stack([u, v], axis=-1).reshape(-1, 2) - outlook["middle"]) / [
        outlook["scale"],
        -outlook["scale"],
    ]
    content = build.content
    wanted = content.tangent_from_pixel(
        np.array(content.size_px) / 2.0 + plane * [content.focal_px, -content.focal_px]
    )
    light = np.zeros((v.size, 3), dtype=np.float32)
    turn = np.array(told["turn"])
    for name, drawn in zip(build.seam.channels if build.seam else build.channels, told["drawn"], strict=True):
        picture = _panel(build, lookup, name, tuple(drawn), planes, shown, step_px)
        size = np.array(build.panel_size_px(name))
        for k, colour in enumerate(build.planes):
            place = lookup.map_index(name, colour)
            own = prepare(lookup, place, told["pupil"])
            head = wanted
            for _ in range(_TURNING_STEPS if turn.any() else 0):
                pixel, _ = own.panel_from_direction(np.nan_to_num(head, nan=9.0))
                head = turned_tangent(wanted, -_since(build, name, pixel)[:, None] * turn)
            pixel, status = own.panel_from_direction(np.nan_to_num(head, nan=9.0))
            seen = status == Status.OK
            at = (pixel[seen] * (np.array(drawn) / size)).astype(np.float32)
            value = sampling_plane(picture.linear()[..., k], border="edge").sample(at[:, 0], at[:, 1])
            if build.match is not None:
                gain = PreparedLight(lookup, told["pupil"]).gain(place, pixel[seen].astype(float), head[seen])
                value = value * exposure / gain
            light[seen, k] += value
    return encode_view(light.reshape(-1, width, 3))


class _ShaderLight(NodeLight):
    """What is lit as exported shaders have it: a little further out where no channel reaches."""

    def weights(self, claims, depth_deg, /):
        """See `NodeLight.weights`."""
        dark = depth_deg.max(axis=0) <= 0.0
        return super().weights(claims, depth_deg + np.where(dark, SLIVER_DEG, 0.0))


def _node_light(seam, lookup, name, tangent, gain, tracked):
    """Return claims and depths of nodes by the tables that the page draws from, not by the fit's own seam."""
    rows, columns = tangent.shape[:2]
    found = PreparedLight(lookup, np.array(tracked)).claims_and_depths(
        tangent.reshape(-1, 2), limit_deg=max(NODE_DEPTH_DEG, seam.edge_deg)
    )
    claims, depths = (one.T.reshape(rows, columns, -1).astype(float) for one in found)
    return _ShaderLight(claims, depths, gain, seam.index(name), seam.edge_deg)


def _since(build, name, pixel):
    constant, along_u, along_v = build.scan(name).lit_s(build.panel_size_px(name))
    return constant + along_u * pixel[:, 0].astype(float) + along_v * pixel[:, 1]


def _panel(build, lookup, name, drawn, planes, shown, step_px):
    """Return the panel's picture as drawn, before or after."""
    told, size = shown.told, np.array(build.panel_size_px(name))
    # The content was read as many times smaller.
    factor = np.array(told["size"]) / build.content.size_px
    columns, rows = (int(np.ceil(length / step_px)) + 1 for length in size)
    v, u = np.meshgrid(np.linspace(0.0, size[1], rows), np.linspace(0.0, size[0], columns), indexing="ij")
    nodes = np.stack([u, v], axis=-1)
    meshes = []
    for colour in build.planes:
        if told["show"] == "before":
            field = build.fields.field(name, colour)
            tangent = panel_mesh(field, build.content, tracked_pupil_mm=np.zeros(3), warped=False).tangent
            made = np.ones(tangent.shape[:2])
            lit = None
            shown_px = build.content.pixel_from_tangent(tangent) * factor
        else:
            place = lookup.map_index(name, colour)
            tangent = prepare(lookup, place, told["tracked"]).mesh(columns, rows).astype(float)
            gain = PreparedLight(lookup, told["tracked"]).gain(
                place, nodes.reshape(-1, 2), tangent.reshape(-1, 2)
            )
            gain = gain.reshape(rows, columns).astype(float)
            posed = weighed = tangent
            turn = np.array(told["turn"])
            if build.late and told["late"] and turn.any():
                since = _since(build, name, nodes.reshape(-1, 2)).reshape(rows, columns, 1)
                posed = turned_tangent(tangent, since * turn)
                weighed = turned_tangent(tangent, (since - build.eye.weights_for_ms / 1000.0) * turn)
            lit = None
            if build.seam is not None:
                lit = _node_light(build.seam, lookup, name, weighed, gain, told["tracked"])
            made = gain if lit is None else lit.weight
            shown_px = build.content.pixel_from_tangent(posed) * factor
        meshes.append(PanelMesh(name, colour, drawn, np.zeros(3), tangent, shown_px, made, lit))
    light = build.light(name) if told["show"] == "after" else None
    return panel_picture(
        planes, meshes, transfer=build.transfer(name), bit_depth=build.bit_depth(name), light=light
    )


def agreement(pixels, expected):
    """Return the share of pixels within a code, of those that are not black in both; largest difference."""
    seen = (pixels.max(axis=-1) > 0) | (expected.max(axis=-1) > 0)
    difference = np.abs(pixels.astype(int) - expected.astype(int)).max(axis=-1)[seen]
    return float(np.mean(difference <= 1)), int(difference.max())
