// The controls: one state, changed by keyboard, mouse and touch; changes of the whole picture are paced.

// Changes of the whole picture closer together than this could add up to more than three flashes a second (WCAG 2.x,
// success criterion 2.3.1).
const SHORTEST_CHANGE_MS = 400;
const ZOOMS = [1, 1.5, 2, 3, 4, 6, 8, 12];
const STEP_MM = 0.25;
const LARGE_STEP_MM = 1;
const START = {
  eye: 0, picture: "harbour", grey: 128, show: "after", split: 50, zoom: 0,
  tracking: true, latency: 15, head: 0, late: true, pupil: [0, 0, 0],
};

function byId(name) {
  return document.getElementById(`live-${name}`);
}

// Hands out changes at once, but not sooner than allowed after the last was shown; what comes sooner waits, the latest of a
// kind wins.
class Pacer {
  constructor(apply) {
    this.apply = apply;
    this.waiting = null;
    // When the last change was shown; Infinity while it is not.
    this.last = -Infinity;
    this.timer = null;
  }

  change(changes) {
    this.waiting = { ...this.waiting, ...changes };
    this.plan();
  }

  // The last change is to be seen now.
  shown() {
    if (this.last !== Infinity) return;
    this.last = performance.now();
    this.plan();
  }

  plan() {
    if (!this.waiting || this.timer !== null || this.last === Infinity) return;
    const due = this.last + SHORTEST_CHANGE_MS - performance.now();
    if (due <= 0) this.flush();
    else this.timer = setTimeout(() => { this.timer = null; this.plan(); }, due);
  }

  flush() {
    const changes = this.waiting;
    this.waiting = null;
    this.last = Infinity;
    this.apply(changes);
  }
}

class Controls {
  // `apply(changes)` is told every change of the state; `open(file)` a file of the visitor's.
  constructor(eyes, apply, open) {
    this.eyes = eyes;
    this.apply = apply;
    this.pacer = new Pacer(apply);
    this.pupil = [...START.pupil];
    this.eye = eyes[0];
    // Browsers keep what was chosen when a page is loaded again; the picture begins anew.
    for (const name of ["eye", "picture", "grey", "show", "split", "zoom", "latency", "head"]) byId(name).value = START[name];
    for (const name of ["tracking", "late"]) byId(name).checked = START[name];
    const paced = (name, read) => this.on(name, () => this.pacer.change({ [name]: read(byId(name)) }));
    const smooth = (name, read) => this.on(name, () => apply({ [name]: read(byId(name)) }));
    const number = (one) => Number(one.value);
    paced("eye", number);
    paced("grey", number);
    paced("show", (one) => one.value);
    paced("zoom", number);
    paced("tracking", (one) => one.checked);
    paced("late", (one) => one.checked);
    smooth("split", number);
    smooth("latency", number);
    smooth("head", number);
    this.on("picture", () => {
      if (byId("picture").value === "own") byId("file").click();
      else this.pacer.change({ picture: byId("picture").value });
    });
    byId("file").addEventListener("change", () => {
      const [file] = byId("file").files;
      if (file) open(file);
    });
    ["x", "y", "z"].forEach((axis, place) => this.on(axis, () => {
      const pupil = [...this.pupil];
      pupil[place] = number(byId(axis));
      this.move(pupil);
    }));
    byId("centre").addEventListener("click", () => {
      this.move([0, 0, 0]);
    });
    this.pad(byId("pad"));
    this.line(byId("view"));
  }

  on(name, act) {
    byId(name).addEventListener("input", act);
  }

  // Take another eye: its box bounds the pupil, its scans allow a turning head.
  setEye(eye) {
    this.eye = eye;
    const [low, high] = eye.box_mm;
    ["x", "y", "z"].forEach((axis, place) => {
      Object.assign(byId(axis), { min: low[place], max: high[place], disabled: low[place] === high[place] });
    });
    for (const name of ["head", "late"]) byId(name).disabled = !eye.late;
    byId("head-why").hidden = eye.late;
    const [half, tall] = [high[0] || 1, high[1] || 1];
    byId("box").setAttribute("points", `${-half},${-tall} ${half},${-tall} ${half},${tall} ${-half},${tall}`);
    const room = 1.15 * Math.max(half, tall);
    byId("pad").setAttribute("viewBox", `${-room} ${-room} ${2 * room} ${2 * room}`);
    byId("pad").style.setProperty("--mm", String(room / 75));
    this.move(this.pupil);
  }

  // Put the pupil, kept in the eye box.
  move(pupil) {
    const [low, high] = this.eye.box_mm;
    this.pupil = pupil.map((value, place) => Math.min(Math.max(value, low[place]), high[place]));
    this.apply({ pupil: [...this.pupil] });
  }

  pad(pad) {
    const put = (event) => {
      const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(pad.getScreenCTM().inverse());
      this.move([point.x, -point.y, this.pupil[2]]);
    };
    pad.addEventListener("pointerdown", (event) => {
      pad.setPointerCapture(event.pointerId);
      put(event);
    });
    pad.addEventListener("pointermove", (event) => {
      if (pad.hasPointerCapture(event.pointerId)) put(event);
    });
    pad.addEventListener("keydown", (event) => {
      const ways = {
        ArrowLeft: [-1, 0, 0], ArrowRight: [1, 0, 0], ArrowUp: [0, 1, 0], ArrowDown: [0, -1, 0],
        PageUp: [0, 0, 1], PageDown: [0, 0, -1],
      };
      const step = event.shiftKey ? LARGE_STEP_MM : STEP_MM;
      if (ways[event.key]) this.move(this.pupil.map((value, place) => value + step * ways[event.key][place]));
      else if (event.key === "Home") this.move([0, 0, 0]);
      else return;
      event.preventDefault();
    });
  }

  // Drag the line between before and after in the picture itself.
  line(view) {
    const put = (event) => {
      const { left, width } = view.getBoundingClientRect();
      byId("split").value = Math.round(Math.min(Math.max((event.clientX - left) / width, 0), 1) * 100);
      this.apply({ split: Number(byId("split").value) });
    };
    view.addEventListener("pointerdown", (event) => {
      if (byId("show").value !== "split") return;
      view.setPointerCapture(event.pointerId);
      put(event);
    });
    view.addEventListener("pointermove", (event) => {
      if (view.hasPointerCapture(event.pointerId)) put(event);
    });
  }

  // Write the state into the controls and beside them.
  tell(state, tracked) {
    const signed = (value) => `${value < 0 ? "−" : "+"}${Math.abs(value).toFixed(2)}`;
    ["x", "y", "z"].forEach((axis, place) => {
      byId(axis).value = state.pupil[place];
      byId(`${axis}-told`).value = `${signed(state.pupil[place])} mm`;
    });
    byId("grey-told").value = `code ${state.grey} of 255`;
    byId("split-told").value = `${state.split} %`;
    byId("zoom-told").value = state.zoom ? `${ZOOMS[state.zoom]} times, at the seam` : "all of the picture";
    byId("latency-told").value = `${state.latency} ms`;
    byId("head-told").value = `${state.head} deg/s`;
    byId("grey-row").hidden = state.picture !== "grey";
    byId("split-row").hidden = state.show !== "split";
    byId("latency").disabled = !state.tracking;
    const away = Math.hypot(...state.pupil.map((value, place) => value - tracked[place]));
    byId("away").value = `${away.toFixed(2)} mm`;
    const put = (name, [x, y]) => {
      byId(name).setAttribute("transform", `translate(${x} ${-y})`);
    };
    put("true", state.pupil);
    put("believed", tracked);
  }
}
