// Puts the parts together: one frame on every change, none otherwise; what fails is said in the page.

class Live {
  constructor(data) {
    this.data = data;
    this.state = { ...START };
    this.history = [[-Infinity, [...START.pupil]]];
    this.asked = false;
    // Changes that are being made ready.
    this.working = 0;
    this.failed = "";
    this.own = null;
    this.bitmaps = {};
    this.times = [];
    this.canvas = byId("view");
    this.canvas.addEventListener("webglcontextlost", (event) => {
      event.preventDefault();
      this.fail("the graphics driver took the picture away. Load the page again");
    });
    this.gl = openContext(this.canvas);
    this.view = new View(this.gl, data.common);
    this.controls = new Controls(data.eyes, (changes) => this.change(changes), (file) => this.open(file));
  }

  async start() {
    await this.takeEye(0);
    await this.takePicture();
    byId("body").hidden = false;
    // Shaders are compiled for the first frame, whose time says nothing of those that follow.
    this.draw();
    this.times = [];
    this.ask();
  }

  fail(why) {
    this.failed = why;
    sayNone(why);
  }

  // Run what may fail, and say so.
  async guarded(work) {
    try {
      await work();
    } catch (cause) {
      this.fail(reasonOf(cause));
    }
  }

  change(changes) {
    const before = this.state;
    this.state = { ...before, ...changes };
    if (changes.pupil) this.history.push([performance.now(), [...changes.pupil]]);
    ++this.working;
    this.guarded(async () => {
      if (this.state.eye !== before.eye) await this.takeEye(this.state.eye);
      if (this.state.picture !== before.picture || this.state.eye !== before.eye || "own" in changes) await this.takePicture();
      else if (this.state.grey !== before.grey && this.state.picture === "grey") this.content.fillGrey(this.state.grey);
      --this.working;
      this.ask();
    });
  }

  async takeEye(place) {
    const eye = this.data.eyes[place];
    if (this.content) this.content.free();
    this.passes = new EyePasses(this.gl, eye, this.data.common);
    this.content = new Content(this.gl, eye.content, this.data.common);
    const [width, height] = eye.content.size_px;
    const { view_px: across } = this.data;
    this.resize(across, Math.round(across * Math.min(Math.max(height / width, 1 / 3), 1)));
    this.controls.setEye(eye);
  }

  // Take a state at once, as if it had been so for long: for tests.
  async put(changes) {
    const eye = changes.eye ?? this.state.eye;
    if (eye !== this.state.eye) await this.takeEye(eye);
    Object.assign(this.state, changes);
    this.controls.pupil = [...this.state.pupil];
    this.history = [[-Infinity, this.state.pupil]];
    await this.takePicture();
  }

  resize(width, height) {
    this.canvas.width = width;
    this.canvas.height = height;
    this.view.resize(width, height);
  }

  async takePicture() {
    const { picture, grey } = this.state;
    if (picture === "grey") this.content.fillGrey(grey);
    else if (picture === "own") this.content.fill(this.own);
    else {
      const scene = this.data.scenes[picture];
      this.bitmaps[picture] = this.bitmaps[picture] || await bitmapOf(new Blob([bytesOf(scene.data)], { type: scene.type }));
      this.content.fill(this.bitmaps[picture]);
    }
  }

  // Take the visitor's own picture; a file that is none leaves the picture as it is.
  async open(file) {
    const told = byId("file-told");
    try {
      if (file.size > LARGEST_FILE_BYTES) throw new Missing(`the file is larger than ${LARGEST_FILE_BYTES >> 20} MB`);
      this.own = await bitmapOf(file);
      byId("picture").value = "own";
      told.value = `${file.name}: read here, sent nowhere`;
      this.controls.pacer.change({ picture: "own", own: file.name });
    } catch (cause) {
      told.value = `${file.name}: ${cause.message}. Choose a PNG or JPEG`;
      byId("picture").value = this.state.picture;
    }
  }

  ask() {
    if (this.asked || this.failed) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      this.guarded(async () => {
        this.draw();
        if (!this.working) this.controls.pacer.shown();
        // A late tracker has not seen the last move yet.
        if (!same(this.tracked, this.state.tracking ? this.state.pupil : [0, 0, 0])) this.ask();
      });
    });
  }

  // Where the tracker believes the pupil is.
  believed(now) {
    if (!this.state.tracking) return [0, 0, 0];
    const until = now - this.state.latency;
    while (this.history.length > 1 && this.history[1][0] <= until) this.history.shift();
    return this.history[0][1];
  }

  draw() {
    const gl = this.gl;
    const begin = performance.now();
    const { passes, state, view, content } = this;
    const { eye } = passes;
    this.tracked = this.believed(begin);
    const turn = [0, eye.late ? state.head * DEGREE : 0, 0];
    passes.setTracked(this.tracked, state.late && turn[1] !== 0);
    passes.setSeen(state.pupil);
    const zoom = ZOOMS[state.zoom];
    const outlook = view.outlook(eye, zoom);
    const shrink = view.shrink(eye, outlook);
    content.setShrink(shrink);
    const boxes = zoom > 1
      ? shownBoxes(passes, outlook, shrink, turn)
      : passes.channels.map((one) => [0, 0, ...one.size(shrink)]);
    const line = Math.round(outlook.width * (state.show === "before" ? 1 : state.show === "after" ? 0 : state.split / 100));
    for (const [kind, columns] of [["before", [0, line]], ["after", [line, outlook.width]]]) {
      if (columns[1] <= columns[0]) continue;
      passes.drawPanels(kind, shrink, boxes, content, kind === "after" && state.late ? turn : [0, 0, 0]);
      view.add(passes, kind, outlook, turn, columns);
    }
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    // Waits until all of it is drawn.
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(4));
    const error = gl.getError();
    if (error && error !== gl.CONTEXT_LOST_WEBGL) throw new Error(`WebGL error ${error}`);
    this.outlook = outlook;
    this.shrink = shrink;
    this.tell(performance.now() - begin);
  }

  tell(milliseconds) {
    this.times = [...this.times.slice(-9), milliseconds];
    // The middle of the last frames: the first ones compile shaders.
    const middle = [...this.times].sort((one, other) => one - other)[(this.times.length - 1) >> 1];
    const sizes = this.passes.channels.map((one) => one.size(this.shrink).join(" x "));
    const part = this.shrink > 1 ? `at 1/${this.shrink.toFixed(2)} of their pixels` : "at their own size";
    byId("rate").value = `${milliseconds.toFixed(1)} ms for this frame, ${(1000 / middle).toFixed(1)} frames a second; `
      + `view ${this.outlook.width} x ${this.outlook.height} px; panels are drawn ${part} `
      + `(${[...new Set(sizes)].join(", ")} px), as fine as the view shows.`;
    this.controls.tell(this.state, this.tracked);
    this.canvas.setAttribute("aria-label", `What the eye sees: ${this.passes.eye.name}, ${this.state.show} the pre-warp, `
      + `pupil ${this.state.pupil.map((one) => one.toFixed(2)).join(", ")} mm`);
  }
}

// Say in the page that there is no live picture, and why.
function sayNone(why) {
  byId("body").hidden = true;
  byId("message").hidden = false;
  byId("message").textContent = `No live picture: ${why}. The rest of this report needs none of it.`;
}

// What is missing has a text for people; anything else is a mistake of ours.
function reasonOf(cause) {
  if (cause instanceof Missing) return cause.message;
  console.error(cause);
  return `an error in this page (${cause.message || cause})`;
}

async function begin() {
  try {
    page.live = new Live(JSON.parse(byId("data").textContent));
    await page.live.start();
  } catch (cause) {
    const why = reasonOf(cause);
    sayNone(why);
    return why;
  }
  return "";
}

// For tests, and for the console: `ready` gives "" once the first picture is asked for, or why there is none.
const page = { live: null, ready: null };
window.prewarpLive = page;
page.ready = begin();
