// Which cells of a panel's mesh show content, which of them no other channel shares with it, and where they are seen.

// Cells bend by less than this share of their size, and content ends within so many of its px.
const BEND = 0.25;
const RIM_PX = 8;
// Cells are drawn in strips of so many columns, row by row, so that drivers find vertices of the last row again.
const STRIP = 8;

// Vertex of a node for the exported vertex stage, which counts six a cell.
function vertexOf(column, row, columns, rows) {
  const [right, bottom] = [column === columns - 1, row === rows - 1];
  const cell = (row - (bottom ? 1 : 0)) * (columns - 1) + column - (right ? 1 : 0);
  if (right) return 6 * cell + (bottom ? 2 : 5);
  return 6 * cell + (bottom ? 1 : 0);
}

// Bounds [left, top, right, bottom] of every node over red, green and blue, content px, of nodes as nodes.frag writes them.
function nodeBounds(values, [columns, rows], content) {
  const flat = content.projection === "flat";
  const [middleU, middleV] = content.size_px.map((length) => length / 2);
  const count = columns * rows;
  const found = new Float64Array(4 * count);
  for (let node = 0; node < count; ++node) {
    const own = 4 * node;
    for (let colour = 0; colour < 3; ++colour) {
      const at = colour === 2 ? 4 * (node + count) : own + 2 * colour;
      const radius = flat ? 0 : Math.hypot(values[at], values[at + 1]);
      const per = content.focal_px * (radius > 1e-6 ? Math.atan(radius) / radius : 1);
      const u = middleU + per * values[at];
      const v = middleV - per * values[at + 1];
      found[own] = colour === 0 ? u : Math.min(found[own], u);
      found[own + 1] = colour === 0 ? v : Math.min(found[own + 1], v);
      found[own + 2] = colour === 0 ? u : Math.max(found[own + 2], u);
      found[own + 3] = colour === 0 ? v : Math.max(found[own + 3], v);
    }
  }
  return found;
}

class Cells {
  // `alone`: part of the content [[left, top], [right, bottom]], 0 to 1, in which no other channel shares the light, or null.
  constructor(gl, { nodes: [columns, rows], alone }, content) {
    this.gl = gl;
    this.nodes = [columns, rows];
    this.content = content;
    this.alone = alone && alone.map((corner) => corner.map((part, axis) => part * content.size_px[axis]));
    this.buffer = gl.createBuffer();
    // First node and indices of every cell, in the order in which they are drawn.
    this.cells = [];
    this.triangles = [];
    for (let strip = 0; strip < columns - 1; strip += STRIP) {
      for (let row = 0; row < rows - 1; ++row) {
        for (let column = strip; column < Math.min(strip + STRIP, columns - 1); ++column) {
          const [first, across, down, opposite] = [[0, 0], [1, 0], [0, 1], [1, 1]].map(
            ([right, below]) => vertexOf(column + right, row + below, columns, rows));
          this.cells.push(row * columns + column);
          this.triangles.push([first, down, opposite, first, opposite, across]);
        }
      }
    }
    // Places in that order: of cells that show content, and of those that are shared.
    this.lit = [];
    this.shared = [];
    // Boxes of what cells cover of the content, px.
    this.boxes = new Float64Array(4 * this.cells.length);
    // Indices of cells that are drawn alone, that show content, and of all: they stand in this order.
    this.counts = { alone: 0, lit: 0, all: 0 };
  }

  // Sort cells by nodes as nodes.frag writes them.
  sort(values) {
    const gl = this.gl;
    const [width, height] = this.content.size_px;
    const [[far, high], [near, low]] = this.alone || [[Infinity, Infinity], [-Infinity, -Infinity]];
    const [alone, shared, dark] = [[], [], []];
    const { boxes } = this;
    this.cover(values, boxes);
    for (let cell = 0; cell < this.cells.length; ++cell) {
      const at = 4 * cell;
      const [left, top, right, bottom] = [boxes[at], boxes[at + 1], boxes[at + 2], boxes[at + 3]];
      if (!(right > -RIM_PX && left < width + RIM_PX && bottom > -RIM_PX && top < height + RIM_PX)) dark.push(cell);
      else if (left > far && top > high && right < near && bottom < low) alone.push(cell);
      else shared.push(cell);
    }
    this.shared = shared;
    this.lit = [...alone, ...shared];
    const indices = new Uint32Array(6 * this.cells.length);
    [...this.lit, ...dark].forEach((cell, place) => indices.set(this.triangles[cell], 6 * place));
    this.counts = { alone: 6 * alone.length, lit: 6 * this.lit.length, all: indices.length };
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.buffer);
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, indices, gl.DYNAMIC_DRAW);
  }

  // Write what every cell covers of the content, px, with what it may bend: left, top, right, bottom.
  cover(values, boxes) {
    const columns = this.nodes[0];
    const bounds = nodeBounds(values, this.nodes, this.content);
    this.cells.forEach((first, cell) => {
      const [a, b, c, d] = [4 * first, 4 * (first + 1), 4 * (first + columns), 4 * (first + columns + 1)];
      for (let axis = 0; axis < 2; ++axis) {
        const low = Math.min(bounds[a + axis], bounds[b + axis], bounds[c + axis], bounds[d + axis]);
        const high = Math.max(bounds[a + axis + 2], bounds[b + axis + 2], bounds[c + axis + 2], bounds[d + axis + 2]);
        boxes[4 * cell + axis] = low - BEND * (high - low);
        boxes[4 * cell + axis + 2] = high + BEND * (high - low);
      }
    });
  }

  // Where cells that show content are seen by the true pupil, `values` its nodes: left, top, right, bottom, content px.
  seen(values) {
    const boxes = new Float64Array(this.boxes.length);
    this.cover(values, boxes);
    const found = [Infinity, Infinity, -Infinity, -Infinity];
    for (const cell of this.lit) {
      for (let axis = 0; axis < 2; ++axis) {
        found[axis] = Math.min(found[axis], boxes[4 * cell + axis]);
        found[axis + 2] = Math.max(found[axis + 2], boxes[4 * cell + axis + 2]);
      }
    }
    return found;
  }
}

// Boxes (left, top, width, height) of a picture of `size` that cover what shared cells cover of the content, in whole tiles.
function coveringTiles(meshes, contentPx, size, tile = 8) {
  const [across, down] = size.map((length) => Math.ceil(length / tile));
  const wanted = Array.from({ length: down }, () => new Uint8Array(across));
  const [perU, perV] = [0, 1].map((axis) => size[axis] / contentPx[axis]);
  const part = (value, count) => Math.min(Math.max(Math.floor(value / tile), 0), count - 1);
  for (const { boxes, shared } of meshes) {
    for (const cell of shared) {
      const [left, top, right, bottom] = boxes.subarray(4 * cell, 4 * cell + 4);
      // A sample reads half a texel further.
      const [first, last] = [part(left * perU - 1, across), part(right * perU + 1, across)];
      for (let row = part(top * perV - 1, down); row <= part(bottom * perV + 1, down); ++row) wanted[row].fill(1, first, last + 1);
    }
  }
  const found = [];
  for (let row = 0; row < down;) {
    const key = wanted[row].join("");
    let end = row + 1;
    while (end < down && wanted[end].join("") === key) ++end;
    for (const { index, 0: run } of key.matchAll(/1+/g)) {
      found.push([index * tile, row * tile, run.length * tile, (end - row) * tile]);
    }
    row = end;
  }
  return found;
}
