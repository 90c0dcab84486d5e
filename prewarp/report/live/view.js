// What an eye sees: every channel's mesh, drawn where its nodes are seen from the true pupil; light adds up.

// Panel pixels for each pixel of the view, at the middle of the finest panel.
const FINENESS = 1;

class View {
  constructor(gl, common) {
    this.gl = gl;
    const picture = common["picture.vert"];
    this.programs = [0, 1].map((projection) => new Program(gl, common[`view_${projection}.vert`], common["view.frag"]));
    this.encode = new Program(gl, picture, common["encode.frag"]);
    // Without the extension light adds up in half floats, which is as good, but slower where a processor draws.
    this.kind = gl.getExtension("EXT_float_blend") ? "f4" : "f2";
    this.light = null;
  }

  resize(width, height) {
    if (this.light && this.light.width === width && this.light.height === height) return;
    if (this.light) this.light.free();
    this.light = new Target(this.gl, this.kind, width, height);
  }

  // Where the content's plane lies: px = middle + plane * (scale, -scale). All of the content, or the seam closer.
  outlook(eye, zoom) {
    const { width, height } = this.light;
    const [across, down] = eye.content.size_px;
    const scale = eye.content.focal_px * Math.min(width / across, height / down) * zoom;
    const [x, y] = zoom > 1 ? eye.seam_plane : [0, 0];
    return { width, height, scale, middle: [width / 2 - x * scale, height / 2 + y * scale] };
  }

  // How many times smaller than they are panels are drawn.
  shrink(eye, outlook) {
    const finest = Math.max(...eye.channels.map((one) => one.px_per_plane));
    return Math.max(1, finest / (FINENESS * outlook.scale));
  }

  // The part of the view, a scissor box of the canvas, in which panels, "before" or "after", show content.
  litBox(passes, kind, outlook, turn, [first, last]) {
    const { eye } = passes;
    const whole = [first, 0, last - first, outlook.height];
    if (turn.some((angle) => angle !== 0)) return whole;
    const seen = passes.channels.map((one) => one[kind].seen(one.values(one.looked)));
    const per = outlook.scale / eye.content.focal_px;
    const middle = eye.content.size_px.map((length) => length / 2);
    const at = (side) => outlook.middle[side % 2] + per * (Math[side < 2 ? "min" : "max"](...seen.map((one) => one[side])) - middle[side % 2]);
    const clipped = (value, low, high) => Math.min(Math.max(value, low), high);
    const [left, right] = [Math.floor(at(0)) - 1, Math.ceil(at(2)) + 1].map((value) => clipped(value, first, last));
    const [top, bottom] = [Math.floor(at(1)) - 1, Math.ceil(at(3)) + 1].map((value) => clipped(value, 0, outlook.height));
    return [left, outlook.height - bottom, Math.max(right - left, 0), Math.max(bottom - top, 0)];
  }

  // Add the light of the panels, "before" or "after", to columns `first` to `last` of the view, and show it.
  add(passes, kind, outlook, turn, columns) {
    const gl = this.gl;
    const box = this.litBox(passes, kind, outlook, turn, columns);
    this.light.use();
    gl.enable(gl.SCISSOR_TEST);
    gl.scissor(...box);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT);
    gl.enable(gl.BLEND);
    gl.blendFunc(gl.ONE, gl.ONE);
    // Past the border of what is known a map may fold: what is seen the wrong way round is no picture.
    gl.enable(gl.CULL_FACE);
    const program = this.programs[passes.eye.content.projection === "flat" ? 0 : 1];
    for (const one of passes.channels) {
      const { channel } = one;
      const panel = one.panels[kind];
      gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, one.triangles);
      gl.frontFace(channel.mirrored ? gl.CW : gl.CCW);
      // Rows of a canvas run up.
      program.draw(one.indices, {
        t_nodes: one[one.looked].texture, u_nodes: channel.nodes, u_panel_px: channel.panel_px,
        u_turn_rad_per_s: turn, u_lit_s: channel.lit_s || [0, 0, 0],
        u_view_middle: [outlook.middle[0], outlook.height - outlook.middle[1]], u_view_scale: [outlook.scale, outlook.scale],
        u_view_px: [outlook.width, outlook.height],
        t_red: panel.textures[0], t_green: panel.textures[1], t_blue: panel.textures[2],
        u_drawn_px: [panel.width, panel.height], u_exposure: passes.eye.exposure,
      }, 0);
    }
    gl.disable(gl.CULL_FACE);
    gl.disable(gl.BLEND);
    // Encoded as sRGB; the rest of these columns stays black.
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.viewport(0, 0, outlook.width, outlook.height);
    gl.scissor(columns[0], 0, columns[1] - columns[0], outlook.height);
    gl.clearColor(0, 0, 0, 1);
    gl.clear(gl.COLOR_BUFFER_BIT);
    gl.scissor(...box);
    this.encode.draw(3, { t_view_linear: this.light.texture });
    gl.disable(gl.SCISSOR_TEST);
  }

  // Codes of the view, RGBA, row by row from the top.
  pixels() {
    const gl = this.gl;
    const { width, height } = this.light;
    const found = new Uint8Array(4 * width * height);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.readPixels(0, 0, width, height, gl.RGBA, gl.UNSIGNED_BYTE, found);
    for (let row = 0; row < height >> 1; ++row) {
      const [upper, lower] = [row, height - 1 - row].map((one) => 4 * width * one);
      const kept = found.slice(upper, upper + 4 * width);
      found.copyWithin(upper, lower, lower + 4 * width);
      found.set(kept, lower);
    }
    return found;
  }
}

// The part of each panel that the view can show, as a scissor box (left, top, width, height), px as drawn.
function shownBoxes(passes, outlook, shrink, turn) {
  const longest = Math.hypot(...turn);
  return passes.channels.map((one) => {
    const [width, height] = one.size(shrink);
    const whole = [0, 0, width, height];
    const { channel } = one;
    const [columns, rows] = channel.nodes;
    const lit = channel.lit_s || [0, 0, 0];
    const late = Math.max(...[0, 1, 2, 3].map((corner) => Math.abs(
      lit[0] + (corner & 1) * lit[1] * channel.panel_px[0] + (corner >> 1) * lit[2] * channel.panel_px[1])));
    // A turn moves what is seen by its angle, more where the plane is flat and wide.
    const margin = 2 + 4 * longest * late * outlook.scale;
    const values = one.values(one.looked);
    const flat = passes.eye.content.projection === "flat";
    const node = [columns, rows, -1, -1];
    for (let row = 0; row < 2 * rows; ++row) {
      for (let column = 0; column < columns; ++column) {
        const texel = 4 * (row * columns + column);
        for (const place of row < rows ? [texel, texel + 2] : [texel]) {
          const radius = flat ? 0 : Math.hypot(values[place], values[place + 1]);
          const per = radius > 1e-6 ? Math.atan(radius) / radius : 1;
          const x = outlook.middle[0] + values[place] * per * outlook.scale;
          const y = outlook.middle[1] - values[place + 1] * per * outlook.scale;
          if (x < -margin || y < -margin || x > outlook.width + margin || y > outlook.height + margin) continue;
          const own = row % rows;
          node[0] = Math.min(node[0], column);
          node[1] = Math.min(node[1], own);
          node[2] = Math.max(node[2], column);
          node[3] = Math.max(node[3], own);
        }
      }
    }
    // Cells are looked at by their corners alone: one more each way.
    if (node[2] < 0) return whole;
    const [left, right] = [node[0] - 2, node[2] + 2].map((place) => place * width / (columns - 1));
    const [top, bottom] = [node[1] - 2, node[3] + 2].map((place) => place * height / (rows - 1));
    const first = [Math.max(Math.floor(left), 0), Math.max(Math.floor(top), 0)];
    return [...first, Math.min(Math.ceil(right), width) - first[0], Math.min(Math.ceil(bottom), height) - first[1]];
  });
}
