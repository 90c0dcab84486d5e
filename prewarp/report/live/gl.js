// The page's few words of WebGL 2: textures, targets, programs. What is missing is thrown, with a text for people.

class Missing extends Error {}

const EXTENSIONS = ["EXT_color_buffer_float"];

function bytesOf(base64) {
  return Uint8Array.from(atob(base64), (one) => one.charCodeAt(0));
}

function openContext(canvas) {
  const gl = canvas.getContext("webgl2", {
    alpha: false, antialias: false, depth: false, stencil: false, preserveDrawingBuffer: true,
  });
  if (!gl) {
    throw new Missing("this browser gives the page no WebGL 2. Switch on hardware acceleration in its settings, "
      + "update the browser or the graphics driver, or open the file in another browser");
  }
  for (const name of EXTENSIONS) {
    if (!gl.getExtension(name)) {
      throw new Missing(`the graphics driver lacks ${name}, which draws numbers as floats. `
        + "Update the driver, or open the file on another machine");
    }
  }
  gl.disable(gl.DITHER);
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  gl.pixelStorei(gl.UNPACK_COLORSPACE_CONVERSION_WEBGL, gl.NONE);
  gl.pixelStorei(gl.UNPACK_PREMULTIPLY_ALPHA_WEBGL, false);
  return gl;
}

// A texture that clamps; `form`: [internal format, format, type]; `data`: texels, or null.
function makeTexture(gl, [stored, format, type], width, height, data, filter = gl.NEAREST) {
  if (Math.max(width, height) > gl.getParameter(gl.MAX_TEXTURE_SIZE)) {
    throw new Missing(`a picture of ${width} x ${height} px is larger than this graphics driver takes`);
  }
  const texture = gl.createTexture();
  gl.bindTexture(gl.TEXTURE_2D, texture);
  gl.texImage2D(gl.TEXTURE_2D, 0, stored, width, height, 0, format, type, data);
  for (const name of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D, name, filter);
  for (const name of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) gl.texParameteri(gl.TEXTURE_2D, name, gl.CLAMP_TO_EDGE);
  return texture;
}

// A texture of the page's data: floats as they are, bytes as shares of 255.
function storedTexture(gl, one) {
  const forms = {
    f4: { 4: [gl.RGBA32F, gl.RGBA], 1: [gl.R32F, gl.RED] },
    u1: { 4: [gl.RGBA8, gl.RGBA] },
  };
  const found = (forms[one.kind] || {})[one.components];
  if (!found) throw new Missing(`a texture of ${one.components} x ${one.kind} is not known to this page`);
  const bytes = bytesOf(one.data);
  const floats = one.kind === "f4";
  const data = floats ? new Float32Array(bytes.buffer) : bytes;
  return makeTexture(gl, [...found, floats ? gl.FLOAT : gl.UNSIGNED_BYTE], one.columns, one.rows, data);
}

// Something to draw into: one or two textures of the same kind: floats ("f4"), of red alone ("r4"), half floats ("f2"), bytes
// ("u1").
class Target {
  constructor(gl, kind, width, height, { count = 1, filter = gl.NEAREST } = {}) {
    const form = {
      f4: [gl.RGBA32F, gl.RGBA, gl.FLOAT],
      r4: [gl.R32F, gl.RED, gl.FLOAT],
      f2: [gl.RGBA16F, gl.RGBA, gl.HALF_FLOAT],
      u1: [gl.RGBA8, gl.RGBA, gl.UNSIGNED_BYTE],
    }[kind];
    this.gl = gl;
    this.width = width;
    this.height = height;
    this.frame = gl.createFramebuffer();
    this.textures = Array.from({ length: count }, () => makeTexture(gl, form, width, height, null, filter));
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.frame);
    this.textures.forEach((texture, place) => {
      gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0 + place, gl.TEXTURE_2D, texture, 0);
    });
    gl.drawBuffers(this.textures.map((_, place) => gl.COLOR_ATTACHMENT0 + place));
    if (gl.checkFramebufferStatus(gl.FRAMEBUFFER) !== gl.FRAMEBUFFER_COMPLETE) {
      throw new Missing(`the graphics driver cannot draw into textures of the kind ${kind}`);
    }
  }

  get texture() {
    return this.textures[0];
  }

  use() {
    this.gl.bindFramebuffer(this.gl.FRAMEBUFFER, this.frame);
    this.gl.viewport(0, 0, this.width, this.height);
  }

  // Texels of the first rows, RGBA, as floats.
  read(rows) {
    const gl = this.gl;
    const found = new Float32Array(4 * this.width * rows);
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.frame);
    gl.readPixels(0, 0, this.width, rows, gl.RGBA, gl.FLOAT, found);
    return found;
  }

  free() {
    this.textures.forEach((texture) => this.gl.deleteTexture(texture));
    this.gl.deleteFramebuffer(this.frame);
  }
}

// Two stages; values are given by the names that the texts have.
class Program {
  constructor(gl, vertex, fragment) {
    this.gl = gl;
    this.program = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS) && !gl.isContextLost()) {
        throw new Missing(`the graphics driver refuses a shader: ${gl.getShaderInfoLog(shader)}`);
      }
      gl.attachShader(this.program, shader);
    }
    gl.linkProgram(this.program);
    if (!gl.getProgramParameter(this.program, gl.LINK_STATUS) && !gl.isContextLost()) {
      throw new Missing(`the graphics driver refuses a shader: ${gl.getProgramInfoLog(this.program)}`);
    }
    this.uniforms = {};
    const count = gl.getProgramParameter(this.program, gl.ACTIVE_UNIFORMS);
    for (let place = 0; place < count; ++place) {
      const { name, type } = gl.getActiveUniform(this.program, place);
      this.uniforms[name] = { type, location: gl.getUniformLocation(this.program, name) };
    }
    const blocks = gl.getProgramParameter(this.program, gl.ACTIVE_UNIFORM_BLOCKS);
    for (let place = 0; place < blocks; ++place) {
      const name = gl.getActiveUniformBlockName(this.program, place);
      gl.uniformBlockBinding(this.program, place, BLOCKS.indexOf(name));
    }
  }

  // Draw `vertices` into the target in use, by the bound indices if so, from one of them on. `values`: numbers and textures by
  // name; names that the text lacks are left out.
  draw(vertices, values, first = null) {
    const gl = this.gl;
    gl.useProgram(this.program);
    let unit = 0;
    for (const [name, { type, location }] of Object.entries(this.uniforms)) {
      const value = values[name];
      if (type === gl.SAMPLER_2D) {
        if (!value) throw new Error(`no texture ${name}`);
        gl.activeTexture(gl.TEXTURE0 + unit);
        gl.bindTexture(gl.TEXTURE_2D, value);
        gl.uniform1i(location, unit++);
      } else if (location) {
        if (value === undefined) throw new Error(`no value ${name}`);
        if (type === gl.INT) gl.uniform1i(location, value);
        else if (type === gl.FLOAT) gl.uniform1f(location, value);
        else if (type === gl.INT_VEC2) gl.uniform2iv(location, value);
        else if (type === gl.FLOAT_VEC2) gl.uniform2fv(location, value);
        else if (type === gl.FLOAT_VEC3) gl.uniform3fv(location, value);
        else throw new Error(`${name} is of a type that this page does not give`);
      }
    }
    if (first !== null) gl.drawElements(gl.TRIANGLES, vertices, gl.UNSIGNED_INT, 4 * first);
    else gl.drawArrays(gl.TRIANGLES, 0, vertices);
  }
}

// Blocks of uniforms by binding, one vec4 each.
const BLOCKS = ["PrewarpPupil", "PrewarpHead"];

class Block {
  constructor(gl, name) {
    this.gl = gl;
    this.buffer = gl.createBuffer();
    this.binding = BLOCKS.indexOf(name);
  }

  give(values) {
    const gl = this.gl;
    gl.bindBufferBase(gl.UNIFORM_BUFFER, this.binding, this.buffer);
    gl.bufferData(gl.UNIFORM_BUFFER, new Float32Array(values), gl.DYNAMIC_DRAW);
  }
}
