// The exported passes of one eye: from a pupil position to meshes, shares of light and panel pictures.

const PLANES = [0, 1, 2];
const DEGREE = Math.PI / 180;
// OpenGL ES 3.0 asks for at least 4 bits; cells of meshes are multiples of so many.
const SUBPIXELS = 16;
// The view draws every so many-th node, and bends what lies between.
const VIEW_STRIDE = 2;

class EyePasses {
  constructor(gl, eye, common) {
    this.gl = gl;
    this.eye = eye;
    const picture = eye.texts["picture.vert"];
    const stage = (text) => new Program(gl, picture, text);
    this.prepare = stage(eye.texts["prepare.frag"]);
    this.decode = stage(common["decode.frag"]);
    this.balance = stage(common[`nodes_${eye.content.projection === "flat" ? 0 : 1}.frag`]);
    if (eye.shares) {
      this.borders = stage(eye.texts["borders.frag"]);
      this.shareOf = stage(eye.texts["shares.frag"]);
      this.points = storedTexture(gl, eye.textures.t_border_points);
      this.claims = storedTexture(gl, eye.textures.t_claim_numbers);
      const { columns, rows } = eye.textures.t_border_points;
      this.borderTarget = new Target(gl, "f4", columns, rows);
      const count = eye.channels.length > 2 ? 2 : 1;
      this.shares = new Target(gl, "f2", ...eye.texels, { count, filter: gl.LINEAR });
    }
    this.pupil = new Block(gl, "PrewarpPupil");
    this.head = new Block(gl, "PrewarpHead");
    this.channels = eye.channels.map((one) => new ChannelPasses(gl, one, stage, eye));
    this.tracked = null;
    this.seen = null;
  }

  // Make meshes, and shares of light, for the tracked pupil (3), mm; what is there already is kept.
  setTracked(pupil) {
    if (same(this.tracked, pupil)) return;
    this.tracked = [...pupil];
    this.giveNodes(pupil, "shown");
    for (const one of this.channels) {
      one.balanced.use();
      this.balance.draw(3, { t_nodes: one.shown.texture, u_nodes: one.channel.nodes });
    }
    if (this.eye.shares) {
      this.borderTarget.use();
      const terms = Object.fromEntries(this.channels.map((one, k) => [`t_terms_${k}`, one.terms.texture]));
      this.borders.draw(3, { t_border_points: this.points, ...terms });
      this.shares.use();
      this.shareOf.draw(3, { t_borders: this.borderTarget.texture, t_claim_numbers: this.claims });
    }
    this.channels.forEach((one) => { one.drawn.after = null; });
  }

  // Make meshes for the true pupil: where nodes are seen; where it is the tracked one, they are there.
  setSeen(pupil) {
    const shared = same(this.tracked, pupil);
    this.channels.forEach((one) => { one.looked = shared ? one.shown : one.seen; });
    if (shared || same(this.seen, pupil)) return;
    this.seen = [...pupil];
    this.giveNodes(pupil, "seen");
  }

  giveNodes(pupil, side) {
    this.pupil.give([...pupil, 0]);
    for (const one of this.channels) {
      one.terms.use();
      this.prepare.draw(3, { t_numbers: one.numbers });
      one[side].use();
      one.nodes.draw(3, { t_terms: one.terms.texture, t_gain_numbers: one.gains });
    }
  }

  // Draw the panels, "before" or "after", of the size that the view shows, where anything about them changed.
  drawPanels(kind, shrink, boxes, content, turn) {
    const given = {
      t_content_linear: content.texture,
      t_shares: this.shares && this.shares.textures[0],
      t_depths: this.shares && this.shares.textures[1],
    };
    this.head.give([...turn, 0]);
    this.channels.forEach((one, place) => {
      const key = [shrink, content.version, turn.join(), boxes[place].join()].join(";");
      if (one.drawn[kind] === key) return;
      one.drawn[kind] = key;
      one.drawPanel(kind, shrink, boxes[place], content.level, given, this.decode);
    });
  }
}

class ChannelPasses {
  constructor(gl, channel, stage, eye) {
    this.gl = gl;
    this.channel = channel;
    const [columns, rows] = channel.nodes;
    this.vertices = 6 * (columns - 1) * (rows - 1);
    this.numbers = storedTexture(gl, channel.textures.t_numbers);
    this.gains = channel.textures.t_gain_numbers && storedTexture(gl, channel.textures.t_gain_numbers);
    this.own = Object.fromEntries(
      ["t_encoding", "t_dither", "t_light"].filter((name) => channel.textures[name])
        .map((name) => [name, storedTexture(gl, channel.textures[name])]));
    this.terms = new Target(gl, "f4", channel.textures.t_numbers.columns, 2);
    this.shown = new Target(gl, "f4", columns, 3 * rows);
    this.seen = new Target(gl, "f4", columns, 3 * rows);
    // Of the tracked pupil, for the panel: between nodes triangles err both ways.
    this.balanced = new Target(gl, "f4", columns, 3 * rows);
    // Which of the two is for the true pupil.
    this.looked = this.seen;
    this.triangles = gl.createBuffer();
    this.cells = [columns, rows].map((count) => (count - 1) / VIEW_STRIDE);
    const indices = ringedTriangles(...this.cells.map((count) => count + 3));
    this.indices = indices.length;
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.triangles);
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, indices, gl.STATIC_DRAW);
    this.straight = makeTexture(gl, [gl.RGBA32F, gl.RGBA, gl.FLOAT], columns, 3 * rows, straightNodes(channel));
    this.nodes = stage(channel.texts["nodes.frag"]);
    // By size of the content, made when first needed.
    this.programs = channel.levels.map(() => ({}));
    this.light = makeTexture(gl, [gl.R32F, gl.RED, gl.FLOAT], channel.light.length, 1, new Float32Array(channel.light));
    this.drawn = { before: null, after: null };
    this.panels = { before: null, after: null };
    this.codes = null;
  }

  // Width and height as drawn: such that nodes lie on the lattice of 1/16 px to which drivers move vertices.
  size(shrink) {
    return this.channel.panel_px.map((length, axis) => {
      const part = (this.channel.nodes[axis] - 1) / SUBPIXELS;
      return Math.ceil(length / shrink / part) * part;
    });
  }

  program(kind, level) {
    const texts = this.channel.levels[level][kind];
    const made = this.programs[level];
    made[kind] = made[kind] || new Program(this.gl, texts["nodes.vert"], texts["mesh.frag"]);
    return made[kind];
  }

  drawPanel(kind, shrink, box, level, given, decode) {
    const gl = this.gl;
    const [width, height] = this.size(shrink);
    if (!this.codes || this.codes.width !== width || this.codes.height !== height) {
      if (this.codes) this.codes.free();
      this.codes = new Target(gl, this.channel.bits > 8 ? "f4" : "u1", width, height);
    }
    let panel = this.panels[kind];
    if (!panel || panel.width !== width || panel.height !== height) {
      if (panel) panel.free();
      panel = this.panels[kind] = new Target(gl, "f4", width, height);
    }
    const nodes = kind === "after" ? this.balanced.texture : this.straight;
    gl.enable(gl.SCISSOR_TEST);
    gl.scissor(...box);
    this.codes.use();
    gl.clearColor(0, 0, 0, 1);
    gl.clear(gl.COLOR_BUFFER_BIT);
    this.program(kind, level).draw(this.vertices, { ...given, ...this.own, t_nodes: nodes });
    panel.use();
    decode.draw(3, { t_panel_encoded: this.codes.texture, t_light: this.light });
    gl.disable(gl.SCISSOR_TEST);
  }
}

// Two triangles for every cell of nodes, each cut from its first node to the opposite one.
function ringedTriangles(columns, rows) {
  const found = [];
  for (let row = 0; row + 1 < rows; ++row) {
    for (let column = 0; column + 1 < columns; ++column) {
      const [first, down] = [row * columns + column, (row + 1) * columns + column];
      found.push(first, down, down + 1, first, down + 1, first + 1);
    }
  }
  return new Uint32Array(found);
}

// Nodes of the best straight map, as nodes.frag writes them: directions of red and green, of blue; gains of 1.
function straightNodes({ nodes: [columns, rows], before }) {
  const values = new Float32Array(4 * columns * 3 * rows).fill(1);
  for (let row = 0; row < rows; ++row) {
    for (let column = 0; column < columns; ++column) {
      PLANES.forEach((plane) => {
        const [corner, along, down] = before[plane];
        const texel = 4 * ((row + (plane === 2 ? rows : 0)) * columns + column) + (plane === 1 ? 2 : 0);
        for (const axis of [0, 1]) {
          values[texel + axis] = corner[axis] + along[axis] * column / (columns - 1) + down[axis] * row / (rows - 1);
        }
      });
    }
  }
  return values;
}

function same(first, second) {
  return first !== null && first.every((value, place) => value === second[place]);
}
