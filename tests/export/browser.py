"""A real browser without a window: fetches drawing jobs from our server, draws them in WebGL 2."""

import base64
import json
import os
import shutil
import signal
import subprocess
import tempfile
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import numpy as np

from tests.export.drawing_jobs import FILTERED, packed_textures
from tests.support import missing

SECONDS = 90
BROWSERS = ("chromium", "chromium-browser", "chrome", "chrome-headless-shell")
# Software drawing; no sandbox, since continuous integration runs as root; no call home.
OPTIONS = (
    "--headless=new",
    "--no-sandbox",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--ignore-gpu-blocklist",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-extensions",
    "--disable-sync",
    "--mute-audio",
)

PAGE = """<!doctype html><meta charset="utf-8"><script>
const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
function stage(gl, kind, text) {
  const shader = gl.createShader(kind);
  gl.shaderSource(shader, text);
  gl.compileShader(shader);
  if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(shader));
  return shader;
}
function texture(gl, norm16, one) {
  const forms = {
    f4: { 4: [gl.RGBA32F, gl.RGBA], 1: [gl.R32F, gl.RED] },
    f2: { 4: [gl.RGBA16F, gl.RGBA], 1: [gl.R16F, gl.RED] },
    u1: { 4: [gl.RGBA8, gl.RGBA] },
    i2: norm16 ? { 4: [norm16.RGBA16_SNORM_EXT, gl.RGBA] } : {},
  };
  const half = [gl.HALF_FLOAT, Uint16Array];
  const byte = [gl.UNSIGNED_BYTE, Uint8Array];
  const types = { f4: [gl.FLOAT, Float32Array], f2: half, i2: [gl.SHORT, Int16Array], u1: byte };
  if (!forms[one.kind][one.components]) throw new Error('EXT_texture_norm16 is missing');
  const [stored, layout] = forms[one.kind][one.components];
  const [type, array] = types[one.kind];
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  const data = new array(bytes(one.data).buffer);
  gl.texImage2D(gl.TEXTURE_2D, 0, stored, one.columns, one.rows, 0, layout, type, data);
  const set = (name, value) => gl.texParameteri(gl.TEXTURE_2D, name, value);
  const filter = one.filtered ? gl.LINEAR : gl.NEAREST;
  for (const name of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) set(name, filter);
  for (const name of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) set(name, gl.CLAMP_TO_EDGE);
}
function draw(job) {
  const canvas = document.createElement('canvas');
  const gl = canvas.getContext('webgl2', { antialias: false });
  if (!gl) throw new Error('no WebGL 2');
  if (!gl.getExtension('EXT_color_buffer_float')) throw new Error('EXT_color_buffer_float is missing');
  const norm16 = gl.getExtension('EXT_texture_norm16');
  const program = gl.createProgram();
  gl.attachShader(program, stage(gl, gl.VERTEX_SHADER, job.vertex));
  gl.attachShader(program, stage(gl, gl.FRAGMENT_SHADER, job.fragment));
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program));
  gl.useProgram(program);
  job.textures.forEach((one, unit) => {
    gl.activeTexture(gl.TEXTURE0 + unit);
    gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
    texture(gl, norm16, one);
    gl.uniform1i(gl.getUniformLocation(program, one.name), unit);
  });
  if (job.block) {
    gl.bindBufferBase(gl.UNIFORM_BUFFER, 2, gl.createBuffer());
    gl.bufferData(gl.UNIFORM_BUFFER, bytes(job.block), gl.STATIC_DRAW);
    gl.uniformBlockBinding(program, gl.getUniformBlockIndex(program, 'PrewarpCoefficients'), 2);
  }
  const [width, height] = job.size;
  gl.activeTexture(gl.TEXTURE0 + job.textures.length);
  gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
  gl.texStorage2D(gl.TEXTURE_2D, 1, gl.RGBA32F, width, height);
  const target = gl.getParameter(gl.TEXTURE_BINDING_2D);
  gl.bindFramebuffer(gl.FRAMEBUFFER, gl.createFramebuffer());
  gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, target, 0);
  const state = gl.checkFramebufferStatus(gl.FRAMEBUFFER);
  if (state !== gl.FRAMEBUFFER_COMPLETE) throw new Error('no float target');
  gl.viewport(0, 0, width, height);
  gl.clearColor(-1, -1, -1, -1);
  gl.clear(gl.COLOR_BUFFER_BIT);
  if (job.attributes) {
    for (const one of job.attributes) {
      const place = gl.getAttribLocation(program, one.name);
      if (place !== one.location) throw new Error(`${one.name} is at ${place}, not ${one.location}`);
      gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
      gl.bufferData(gl.ARRAY_BUFFER, bytes(one.data), gl.STATIC_DRAW);
      gl.enableVertexAttribArray(place);
      gl.vertexAttribPointer(place, one.width, gl.FLOAT, false, 0, 0);
    }
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, bytes(job.indices), gl.STATIC_DRAW);
    gl.drawElements(gl.TRIANGLES, job.count, gl.UNSIGNED_INT, 0);
  } else {
    gl.drawArrays(gl.TRIANGLES, 0, 3);
  }
  const values = new Float32Array(4 * width * height);
  gl.readPixels(0, 0, width, height, gl.RGBA, gl.FLOAT, values);
  const error = gl.getError();
  if (error) throw new Error(`WebGL error ${error}`);
  return values;
}
(async () => {
  const jobs = await (await fetch('/jobs')).json();
  for (const [place, job] of jobs.entries()) {
    try {
      await fetch(`/drawn/${place}`, { method: 'POST', body: draw(job) });
    } catch (error) {
      await fetch(`/failed/${place}`, { method: 'POST', body: String(error) });
    }
  }
  await fetch('/done', { method: 'POST', body: navigator.userAgent });
})();
</script>
"""


def find_browser() -> str:
    """Return the path of a browser, or skip the test."""
    named = os.environ.get("PREWARP_BROWSER")
    found = named or next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        missing(f"no browser is installed (looked for {', '.join(BROWSERS)}; or set PREWARP_BROWSER)")
    return found


def drawn_in_browser(jobs):
    """Return what each job's target holds, (rows, columns, 4) float32, row 0 first; else a text."""
    browser = find_browser()
    body = json.dumps([_as_json(job) for job in jobs]).encode()
    results: dict[int, object] = {}
    done = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            kind, data = ("text/html", PAGE.encode()) if self.path == "/" else ("application/json", body)
            self._answer(kind, data if self.path in ("/", "/jobs") else b"")

        def do_POST(self):
            data = self.rfile.read(int(self.headers["Content-Length"]))
            kind, _, place = self.path.strip("/").partition("/")
            if kind == "done":
                done.set()
            else:
                results[int(place)] = data if kind == "drawn" else data.decode()
            self._answer("text/plain", b"")

        def _answer(self, kind, data):
            self.send_response(200)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    with tempfile.TemporaryDirectory(prefix="prewarp-", ignore_cleanup_errors=True) as profile:
        command = [browser, *OPTIONS, f"--user-data-dir={profile}", f"http://127.0.0.1:{server.server_port}/"]
        process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )
        try:
            finished = done.wait(SECONDS)
        finally:
            # The browser is many processes, all of them ours.
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(10)
            server.shutdown()
            server.server_close()
            thread.join(10)
    if not finished:
        return [
            results.get(place, f"the browser gave nothing within {SECONDS} s") for place in range(len(jobs))
        ]
    return [
        value if isinstance(value, str) else np.frombuffer(value, "<f4").reshape(job.size[1], job.size[0], 4)
        for job, value in ((job, results[place]) for place, job in enumerate(jobs))
    ]


def _as_json(job):
    def text(data):
        return base64.b64encode(data).decode()

    textures = [
        {
            "name": name,
            "columns": columns,
            "rows": rows,
            "components": components,
            "kind": kind,
            "filtered": name in FILTERED,
            "data": text(data),
        }
        for name, columns, rows, components, kind, data in packed_textures(job)
    ]
    attributes = None
    if job.attributes is not None:
        attributes = [
            {
                "name": name,
                "width": values.shape[1],
                "location": job.locations[name],
                "data": text(values.tobytes()),
            }
            for name, values in job.attributes.items()
        ]
    return {
        "size": list(job.size),
        "vertex": job.vertex,
        "fragment": job.fragment,
        "textures": textures,
        "block": None if job.block is None else text(job.block),
        "attributes": attributes,
        "indices": None if job.indices is None else text(job.indices.tobytes()),
        "count": 0 if job.indices is None else int(job.indices.size),
    }
