// The exported passes of one eye: from a pupil position to meshes, shares of light and panel pictures.

const PLANES = [0, 1, 2];
const DEGREE = Math.PI / 180;
// OpenGL ES 3.0 asks for at least 4 bits; cells of meshes are multiples of so many.
const SUBPIXELS = 16;

class EyePasses {
  constructor(gl, eye, common) {
    this.gl = gl;
    this.eye = eye;
    const picture = eye.texts["picture.vert"];
    const stage = (text) => new Program(gl, picture, text);
    this.prepare = stage(eye.texts["prepare.frag"]);
    this.decode = stage(common["decode.frag"]);
    if (eye.shares) {
      this.borders = stage(eye.texts["borders.frag"]);
      this.shareOf = stage(eye.texts["shares.frag"]);
      this.points = storedTexture(gl, eye.textures.t_border_points);
      this.claims = storedTexture(gl, eye.textures.t_claim_numbers);
      const { columns, rows } = eye.textures.t_border_points;
      this.borderTarget = new Target(gl, "f4", columns, rows);
      const count = eye.channels.length > 2 ? 2 : 1;
      this.shares = new Target(gl, "f4", ...eye.texels, { count });
    }
    this.pupil = new Block(gl, "PrewarpPupil");
    this.head = new Block(gl, "PrewarpHead");
    this.channels = eye.channels.map((one) => new ChannelPasses(gl, one, stage, eye));
    this.tracked = null;
    this.seen = null;
    // Whether shares of light are there wherever there is content, not only where panels of a head at rest read them.
    this.whole = false;
  }

  // Make meshes, and shares of light, for the tracked pupil (3), mm; what is there already is kept. `turned`: the head turns.
  setTracked(pupil, turned) {
    if (same(this.tracked, pupil) && (this.whole || !turned)) return;
    this.tracked = [...pupil];
    this.whole = turned;
    this.giveNodes(pupil, "shown");
    for (const one of this.channels) one.after.sort(one.values("shown"));
    if (this.eye.shares) this.giveShares(turned);
    this.channels.forEach((one) => { one.drawn.after = null; });
  }

  giveShares(whole) {
    const gl = this.gl;
    this.borderTarget.use();
    const terms = Object.fromEntries(this.channels.map((one, k) => [`t_terms_${k}`, one.terms.texture]));
    this.borders.draw(3, { t_border_points: this.points, ...terms });
    this.shares.use();
    const boxes = whole
      ? [[0, 0, ...this.eye.texels]]
      : coveringTiles(this.channels.map((one) => one.after), this.eye.content.size_px, this.eye.texels);
    gl.enable(gl.SCISSOR_TEST);
    for (const box of boxes) {
      gl.scissor(...box);
      this.shareOf.draw(3, { t_borders: this.borderTarget.texture, t_claim_numbers: this.claims });
    }
    gl.disable(gl.SCISSOR_TEST);
  }

  // Make meshes for the true pupil: where nodes are seen; where it is the tracked one, they are there.
  setSeen(pupil) {
    const shared = same(this.tracked, pupil);
    this.channels.forEach((one) => { one.looked = shared ? "shown" : "seen"; });
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
      one.read[side] = null;
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
      one.drawPanel(kind, shrink, boxes[place], content.level, given, this.decode, turn.some((angle) => angle !== 0));
    });
  }
}

class ChannelPasses {
  constructor(gl, channel, stage, eye) {
    this.gl = gl;
    this.channel = channel;
    const [columns, rows] = channel.nodes;
    this.numbers = storedTexture(gl, channel.textures.t_numbers);
    this.gains = channel.textures.t_gain_numbers && storedTexture(gl, channel.textures.t_gain_numbers);
    this.own = Object.fromEntries(
      ["t_encoding", "t_dither", "t_light"].filter((name) => channel.textures[name])
        .map((name) => [name, storedTexture(gl, channel.textures[name])]));
    this.terms = new Target(gl, "f4", channel.textures.t_numbers.columns, 2);
    this.shown = new Target(gl, "f4", columns, 3 * rows);
    this.seen = new Target(gl, "f4", columns, 3 * rows);
    // What was read of them.
    this.read = { shown: null, seen: null };
    // Which of the two is for the true pupil.
    this.looked = "seen";
    this.triangles = gl.createBuffer();
    const indices = ringedTriangles(columns + 2, rows + 2);
    this.indices = indices.length;
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.triangles);
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, indices, gl.STATIC_DRAW);
    const straight = straightNodes(channel);
    this.straight = makeTexture(gl, [gl.RGBA32F, gl.RGBA, gl.FLOAT], columns, 3 * rows, straight);
    this.after = new Cells(gl, channel, eye.content);
    this.before = new Cells(gl, { ...channel, alone: null }, eye.content);
    this.before.sort(straight);
    this.nodes = stage(channel.texts["nodes.frag"]);
    // By size of the content, made when first needed.
    this.programs = channel.levels.map(() => ({}));
    this.light = makeTexture(gl, [gl.R32F, gl.RED, gl.FLOAT], channel.light.length, 1, new Float32Array(channel.light));
    this.drawn = { before: null, after: null };
    this.panels = { before: null, after: null };
    this.codes = null;
  }

  // Directions of nodes for the tracked pupil ("shown") or the true one ("seen"): red and green, then blue.
  values(side) {
    this.read[side] = this.read[side] || this[side].read(2 * this.channel.nodes[1]);
    return this.read[side];
  }

  // Width and height as drawn: such that nodes lie on the lattice of 1/16 px to which drivers move vertices.
  size(shrink) {
    return this.channel.panel_px.map((length, axis) => {
      const part = (this.channel.nodes[axis] - 1) / SUBPIXELS;
      return Math.ceil(length / shrink / part) * part;
    });
  }

  program(kind, level) {
    const texts = this.channel.levels[level];
    const made = this.programs[level];
    made[kind] = made[kind] || new Program(this.gl, (texts[kind]["nodes.vert"] || texts.after["nodes.vert"]), texts[kind]["mesh.frag"]);
    return made[kind];
  }

  // `turned`: cells show content elsewhere than they do for a head at rest.
  drawPanel(kind, shrink, box, level, given, decode, turned) {
    const gl = this.gl;
    const [width, height] = this.size(shrink);
    if (!this.codes || this.codes.width !== width || this.codes.height !== height) {
      if (this.codes) this.codes.free();
      this.codes = new Target(gl, this.channel.bits > 8 ? "f4" : "u1", width, height);
    }
    let panel = this.panels[kind];
    if (!panel || panel.width !== width || panel.height !== height) {
      if (panel) panel.free();
      // A texture a colour: a texel of one number is read in half the time.
      panel = this.panels[kind] = new Target(gl, "r4", width, height, { count: PLANES.length });
    }
    const values = { ...given, ...this.own, t_nodes: kind === "after" ? this.shown.texture : this.straight };
    const { buffer, counts } = this[kind];
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, buffer);
    gl.enable(gl.SCISSOR_TEST);
    gl.scissor(...box);
    this.codes.use();
    gl.clearColor(0, 0, 0, 1);
    gl.clear(gl.COLOR_BUFFER_BIT);
    const alone = turned ? 0 : counts.alone;
    if (alone > 0) this.program("alone", level).draw(alone, values, 0);
    this.program(kind, level).draw((turned ? counts.all : counts.lit) - alone, values, alone);
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
