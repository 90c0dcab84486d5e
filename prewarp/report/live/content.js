// The content picture: a scene, an even grey, or the visitor's own file; it never leaves the page.

const LARGEST_FILE_BYTES = 64 << 20;

class Content {
  // `levels_px`: sizes that the exported shaders read, texel by texel, each half the one before.
  constructor(gl, { levels_px: levels, first_halvings: first }, common) {
    this.gl = gl;
    this.levels = levels;
    this.first = first;
    [this.width, this.height] = levels[0];
    this.canvas = document.createElement("canvas");
    this.canvas.width = this.width;
    this.canvas.height = this.height;
    this.pen = this.canvas.getContext("2d", { willReadFrequently: true });
    const form = [gl.SRGB8_ALPHA8, gl.RGBA, gl.UNSIGNED_BYTE];
    this.source = makeTexture(gl, form, ...levels[0], null, gl.LINEAR);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.LINEAR_MIPMAP_NEAREST);
    this.program = new Program(gl, common["picture.vert"], common["content.frag"]);
    this.light = null;
    this.level = -1;
    this.version = 0;
  }

  get texture() {
    return this.light.texture;
  }

  free() {
    this.gl.deleteTexture(this.source);
    if (this.light) this.light.free();
  }

  // Draw a picture scaled about its middle to fill the content, and cut to it.
  fill(bitmap) {
    const { pen } = this;
    const factor = Math.max(this.width / bitmap.width, this.height / bitmap.height);
    const [width, height] = [bitmap.width * factor, bitmap.height * factor];
    pen.imageSmoothingQuality = "high";
    pen.fillStyle = "#000";
    pen.fillRect(0, 0, this.width, this.height);
    pen.drawImage(bitmap, (this.width - width) / 2, (this.height - height) / 2, width, height);
    this.upload();
  }

  // An even grey of a code, 0 to 255.
  fillGrey(code) {
    const { pen } = this;
    pen.fillStyle = `rgb(${code}, ${code}, ${code})`;
    pen.fillRect(0, 0, this.width, this.height);
    this.upload();
  }

  upload() {
    const gl = this.gl;
    gl.bindTexture(gl.TEXTURE_2D, this.source);
    // Bytes, since drivers take a canvas slowly into a texture that holds sRGB.
    const { data } = this.pen.getImageData(0, 0, this.width, this.height);
    gl.texSubImage2D(gl.TEXTURE_2D, 0, 0, 0, this.width, this.height, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(data.buffer));
    // The texture holds sRGB: means are those of light.
    gl.generateMipmap(gl.TEXTURE_2D);
    this.fresh = true;
  }

  // Make light of the content, as fine as panels are drawn that are so many times smaller, in whole halvings.
  setShrink(shrink) {
    const level = Math.min(Math.max(Math.floor(Math.log2(shrink) + 1e-6) - this.first, 0), this.levels.length - 1);
    if (level === this.level && !this.fresh) return;
    if (level !== this.level) {
      if (this.light) this.light.free();
      this.light = new Target(this.gl, "f4", ...this.levels[level]);
    }
    this.level = level;
    this.fresh = false;
    ++this.version;
    this.light.use();
    this.program.draw(3, { t_content: this.source, u_size_px: this.levels[level], u_level: level });
  }
}

async function bitmapOf(blob) {
  try {
    return await createImageBitmap(blob, { colorSpaceConversion: "none" });
  } catch (cause) {
    throw new Missing(`this file is not a picture that the browser reads (${cause.message || cause})`);
  }
}
