"""The live picture: one script that the page's policy names, data that cannot end their element, pixels in a
real browser equal to the CPU renderer's, controls by keyboard and touch, and failures that the page tells.
"""

import base64
import hashlib
import io
import json
import re
from dataclasses import replace
from types import SimpleNamespace
from unittest.mock import patch

import numpy as np
import pytest
from PIL import Image

from prewarp.errors import PackageError
from prewarp.export.gpu_files import gpu_files, vertex_stage
from prewarp.export.judgement import Check, Request, VerifyResult
from prewarp.export.shader_files import EXACT, shader_package_files
from prewarp.export.shader_files import KIND as SHADER
from prewarp.export.shader_text import ES
from prewarp.report.live.eye_data import ALONE, BENT, eye_data, levels_of, node_counts
from prewarp.report.live.make import live_eyes
from prewarp.report.live.part import live_part, script_json
from prewarp.report.page.display import PackageFound
from prewarp.report.page.html import report_html
from prewarp.report.page.tree import DisplayReport
from tests.export.browser import find_browser
from tests.export.device_builds import small_build
from tests.report.page.chromium import Chromium
from tests.report.page.live_pages import CELLS, HOSTILE, KINDS, small_eyes, small_page
from tests.report.page.live_reference import READ, SHARE, Shown, agreement, reference
from tests.report.page.pages import Page

# What is drawn and held to the CPU renderer: hard edges, another pupil than the tracked one, every path.
DRAWN = {
    "matched": {"eye": 0, "picture": "grid", "pupil": [1.0, -1.0, 0.5]},
    "before": {"show": "before"},
    "tracker off": {"show": "after", "tracking": False, "zoom": 4},
    "head": {"eye": 1, "head": 60, "zoom": 3, "tracking": True},
    "head, drawn as if still": {"late": False},
}
# The last is asked only whether it differs: inverses of a turning field take long.
COMPARED = tuple(DRAWN)[:-1]


# Draws as it is, then all cells by the text that reads shares of light, which are made everywhere, and all of
# the view: gives how many cells were drawn alone, the two pictures' largest difference and how many codes
# differ, and the brightest code.
EVERYTHING = """(() => {
  const { live } = prewarpLive;
  const { passes, view } = live;
  const largest = (one, other) => one.reduce(
    (most, code, place) => Math.max(most, Math.abs(code - other[place])), 0);
  live.draw();
  const first = view.pixels();
  const alone = passes.channels.map((one) => one.after.counts.alone);
  const own = view.litBox;
  view.litBox = (a, b, outlook) => [0, 0, outlook.width, outlook.height];
  // As for a head that turns, whose shares are made everywhere.
  passes.tracked = null;
  passes.setTracked(live.tracked, true);
  for (const one of passes.channels) {
    const { all } = one.after.counts;
    one.after.counts = { alone: 0, lit: all, all };
    one.drawn.after = null;
  }
  live.draw();
  const then = view.pixels();
  const differing = first.filter((code, place) => code !== then[place]).length;
  const found = [alone, largest(first, then), differing, largest(first, new Uint8Array(first.length))];
  view.litBox = own;
  passes.tracked = null;
  return found;
})()"""


def put(**changes):
    return f"(async () => {{ const {{ live }} = prewarpLive; await live.put({json.dumps(changes)}); }})()"


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """One start of the browser shows everything."""
    find_browser()
    folder = tmp_path_factory.mktemp("live")
    page = folder / "visor.html"
    page.write_text(small_page(), encoding="utf-8")
    picture = folder / "mine.png"
    Image.fromarray(np.full((40, 64, 3), (10, 200, 90), dtype=np.uint8)).save(picture)
    damaged = folder / "damaged.png"
    damaged.write_bytes(b"no picture")
    found = {"drawn": {}}
    with Chromium() as browser:
        browser.resize(900, 700)
        browser.open(page)
        found["ready"] = browser.evaluate("prewarpLive.ready")
        if found["ready"] == "":
            _drawn(browser, found)
            _controls(browser, found)
            _files(browser, found, picture, damaged)
            found["console"] = list(browser.console)
            browser.evaluate("prewarpLive.live.gl.getExtension('WEBGL_lose_context').loseContext()")
            browser.evaluate("new Promise((done) => setTimeout(done, 200))")
            found["lost"] = _shown(browser)
        context = "HTMLCanvasElement.prototype.getContext"
        lost = {
            "no WebGL 2": f"const own = {context}; {context} = function (kind, ...more) "
            "{ return kind === 'webgl2' ? null : own.call(this, kind, ...more); };",
            "no extension": "WebGL2RenderingContext.prototype.getExtension = () => null;",
        }
        for name, script in lost.items():
            browser.open(page, first=script)
            found[name] = browser.evaluate("prewarpLive.ready"), _shown(browser)
    return found


def _shown(browser):
    """Return what of the live picture is to be seen, and whether the rest of the report is there."""
    return browser.evaluate("""(() => {
      const seen = (name) => document.getElementById(name).checkVisibility();
      return { message: document.getElementById("live-message").innerText, told: seen("live-message"),
        body: seen("live-body"), rest: seen("chapters") && seen("verdict") };
    })()""")


def _drawn(browser, found):
    for name, changes in DRAWN.items():
        browser.evaluate(put(**changes))
        found["drawn"][name] = Shown(browser.evaluate(READ))
    browser.evaluate(put(eye=1, head=0, late=True, pupil=[0, 0, 0]))
    for tracking in (True, False):
        browser.evaluate(put(eye=0, picture="grid", zoom=0, pupil=[1.0, -1.0, 0.5], tracking=tracking))
        found["everything", tracking] = browser.evaluate(EVERYTHING)
    browser.evaluate(put(eye=1, tracking=True, pupil=[0, 0, 0]))


def _controls(browser, found):
    """Move by keyboard and touch; switch faster than is allowed."""
    state = "prewarpLive.live.state"
    browser.evaluate("document.getElementById('live-pad').focus()")
    browser.key("ArrowRight")
    browser.key("ArrowUp", shift=True)
    found["keys"] = browser.evaluate(f"{state}.pupil")
    x, y, width, height = browser.evaluate("""(() => {
      const pad = document.getElementById("live-pad");
      pad.scrollIntoView({ block: "center" });
      const { x, y, width, height } = pad.getBoundingClientRect();
      return [x, y, width, height];
    })()""")
    browser.touch("touchStart", [(x + width / 2, y + height / 2)])
    browser.touch("touchMove", [(x + 0.25 * width, y + height / 2)])
    browser.touch("touchEnd", [])
    found["touch"] = browser.evaluate(f"{state}.pupil")
    # When a picture was drawn that shows another zoom than the last.
    found["changes"] = browser.evaluate("""(async () => {
      const { live } = prewarpLive;
      const zoom = document.getElementById("live-zoom");
      const times = [];
      const draw = live.draw;
      let last = live.state.zoom;
      live.draw = () => {
        draw.call(live);
        if (live.state.zoom !== last) times.push(performance.now());
        last = live.state.zoom;
      };
      for (let k = 1; times.length < 4; ++k) {
        zoom.value = 1 + k % 3;
        zoom.dispatchEvent(new Event("input", { bubbles: true }));
        await new Promise((done) => setTimeout(done, 20));
      }
      live.draw = draw;
      return times;
    })()""")
    found["late tracker"] = browser.evaluate("""(async () => {
      const { live } = prewarpLive;
      await live.put({ zoom: 0, latency: 300, pupil: [0, 0, 0] });
      live.controls.move([1, 0, 0]);
      live.draw();
      const first = [...live.tracked];
      await new Promise((done) => setTimeout(done, 500));
      live.draw();
      return [first, [...live.tracked]];
    })()""")


def _files(browser, found, picture, damaged):
    for name, path in (("own", picture), ("damaged", damaged)):
        root = browser.call("DOM.getDocument")["root"]["nodeId"]
        node = browser.call("DOM.querySelector", nodeId=root, selector="#live-file")["nodeId"]
        browser.call("DOM.setFileInputFiles", nodeId=node, files=[str(path)])
        browser.evaluate("new Promise((done) => setTimeout(done, 700))")
        told = browser.evaluate("document.getElementById('live-file-told').value")
        found[name] = told, browser.evaluate("prewarpLive.live.state.picture"), browser.evaluate(READ)


def test_the_browser_draws_it(seen):
    assert seen["ready"] == ""
    # A refused load, or any error, is written there.
    assert seen["console"] == []


@pytest.mark.parametrize("name", COMPARED)
def test_pixels_are_those_of_the_cpu_renderer(seen, name):
    shown = seen["drawn"][name]
    build, lookup, data = small_eyes()[tuple(KINDS)[shown.told["eye"]]]
    expected = reference(build, lookup, shown, exposure=data["exposure"])
    # Nearly all of a zoomed view, and a good part of the others, is picture.
    assert np.mean(expected.max(axis=-1) > 0) > 0.3
    share, _ = agreement(shown.pixels, expected)
    assert share >= SHARE, share


@pytest.mark.parametrize("tracking", [True, False])
def test_what_is_left_out_changes_no_pixel(seen, tracking):
    """Cells that no other channel shares, shares of light that no panel reads, what shows no content."""
    alone, difference, differing, brightest = seen["everything", tracking]
    assert min(alone) > 0 and brightest > 200
    # Two texts may round a tie to either side.
    assert difference <= 1 and differing <= 2, (difference, differing)


def test_what_is_switched_shows(seen):
    drawn = {name: one.pixels.astype(int) for name, one in seen["drawn"].items()}
    for one, other in (("matched", "before"), ("head", "head, drawn as if still")):
        assert np.mean(np.abs(drawn[one] - drawn[other]).max(axis=-1) > 4) > 0.005, (one, other)
    assert seen["drawn"]["tracker off"].told["tracked"] == [0, 0, 0]
    assert re.search(r"[\d.]+ frames a second", seen["drawn"]["matched"].told["rate"])
    assert "panels are drawn at 1/3.89 of their pixels" in seen["drawn"]["matched"].told["rate"]


def test_keys_touch_and_a_late_tracker_move_the_pupil(seen):
    assert seen["keys"] == [0.25, 1, 0]
    x, y, _ = seen["touch"]
    assert x == pytest.approx(-0.25 * 2 * 1.15 * 3.0, abs=0.1) and abs(y) < 0.1
    first, then = seen["late tracker"]
    assert first == [0, 0, 0] and then == [1, 0, 0]


def test_the_whole_picture_changes_at_most_every_0_4_s(seen):
    """WCAG 2.3.1 allows three flashes a second; a change each way is a flash."""
    steps = np.diff(seen["changes"])
    assert len(steps) == 3 and steps.min() >= 400.0


def test_a_picture_of_the_visitors_is_read_and_a_damaged_one_is_told(seen):
    told, picture, shown = seen["own"]
    assert picture == "own" and told.startswith("mine.png: read here")
    pixels = Shown(shown).pixels
    lit = pixels[pixels.max(axis=-1) > 0]
    assert np.abs(np.median(lit, axis=0) - (10, 200, 90)).max() <= 1
    told, picture, _ = seen["damaged"]
    assert picture == "own" and "not a picture" in told and "Choose a PNG or JPEG" in told


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("no WebGL 2", "no WebGL 2. Switch on hardware acceleration"),
        ("no extension", "lacks EXT_color_buffer_float"),
    ],
)
def test_what_is_missing_is_told_and_the_report_stays(seen, case, words):
    why, shown = seen[case]
    assert words in why
    assert words in shown["message"] and shown["message"].startswith("No live picture: ")
    assert shown["told"] and not shown["body"] and shown["rest"]


def test_a_lost_context_is_told(seen):
    shown = seen["lost"]
    assert "took the picture away. Load the page again" in shown["message"]
    assert shown["told"] and not shown["body"] and shown["rest"]


def test_one_script_runs_the_one_that_the_policy_names():
    page = small_page()
    found = Page(page)
    assert found.wrong == []
    (policy,) = [
        a["content"] for a, _ in found.all("meta") if a.get("http-equiv") == "Content-Security-Policy"
    ]
    script = re.search(r"<script>(.*?)</script>", page, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert policy == (
        f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    )
    assert [attributes for attributes, _ in found.all("script")] == [
        {"type": "application/json", "id": "live-data"},
        {},
    ]
    for _, attributes, _ in found.elements:
        assert not {"src", "href", "style"} & attributes.keys() or attributes["href"].startswith("#")
        assert not [name for name in attributes if name.startswith("on")]
    assert "http://" not in page and "https://" not in page and "eval(" not in script
    assert len(page.encode()) < 2_000_000


def test_data_cannot_end_their_element_and_names_are_text():
    page = small_page()
    data = re.search(r'id="live-data">(.*?)</script>', page, re.DOTALL)[1]
    assert not set(data) & set("<>&\u2028\u2029")
    assert [eye["name"] for eye in json.loads(data)["eyes"]] == ["plain", HOSTILE]
    assert json.loads(script_json("</script>\u2028")) == "</script>\u2028"
    assert "alert('1')" not in page.replace("\\u003c", "<").split("<script>alert")[0].split("live-data")[0]


def test_controls_have_labels_and_nothing_is_hidden_from_who_runs_no_scripts():
    found = Page(small_page())
    ids = {attributes["id"] for _, attributes, _ in found.elements if "id" in attributes}
    labelled = {attributes["for"] for attributes, _ in found.all("label")}
    controls = {attributes["id"] for tag in ("input", "select") for attributes, _ in found.all(tag)}
    assert controls == labelled and labelled <= ids
    assert all(text for _, text in found.all("legend")) and len(found.all("legend")) == len(
        found.all("fieldset")
    )
    (told,) = [text for _, text in found.all("noscript")]
    assert told.startswith("No live picture: it needs scripts")
    assert "flash" in found.text and "0.4 s" in found.text
    assert "Not all of it: left eye: no package" in found.text


def test_texts_are_those_that_export_writes():
    """Stages of a package, byte by byte, but for the options that the page adds to those that draw a panel;
    the content picture of this one needs no halving."""
    build, lookup, data = small_eyes()["matched"]
    columns, rows = data["texels"]
    read = {"PREWARP_SHARE_COLUMNS": columns, "PREWARP_SHARE_ROWS": rows}
    for channel in data["channels"]:
        name = channel["name"]
        own = channel["levels"][0]
        for kind, more in (("after", BENT | read), ("alone", BENT | ALONE)):
            files = shader_package_files(build, name, (ES,), lookup, {}, sampling=EXACT, more=more)
            texts = {
                file.path.rpartition("_")[2]: file.data.decode() for file in files if file.kind == SHADER
            }
            assert own[kind]["mesh.frag"] == texts["mesh.frag"]
        nodes = {one: tuple(channel["nodes"]) for one in build.channels}
        assert own["after"]["nodes.vert"] == vertex_stage(build, name, nodes[name], ES, BENT).data.decode()
        packaged = shader_package_files(build, name, (ES,), lookup, {}, sampling=EXACT)
        page_only = (b"prewarp_bent(", b"PREWARP_SHARE_COLUMNS,")
        assert not [one.path for one in packaged if any(word in one.data for word in page_only)]
        files = gpu_files(build, lookup, nodes, (ES,), sampling=EXACT)
        texts = {
            file.details["step"]: file.data.decode()
            for file in files
            if file.kind == SHADER and file.details["channel"] in (name, None)
        }
        assert channel["texts"]["nodes.frag"] == texts["nodes.frag"]
        assert data["texts"]["shares.frag"] == texts["shares.frag"]


def test_contents_are_halved_and_meshes_lie_on_the_lattice_of_drivers():
    build = small_build()
    levels = levels_of(build)
    assert {key: one.content.size_px for key, one in levels.items()} == {
        0: (400, 250), 1: (200, 125), 2: (100, 62),
    }  # fmt: skip
    halved = levels[1]
    assert halved.seam is build.seam
    for name in build.channels:
        assert halved.alone_px[name] == pytest.approx(build.alone_px[name] / 2.0)
    assert node_counts((2560, 2048)) == (65, 49) and node_counts((320, 240)) == (49, 49)
    assert node_counts((9000, 300)) == (97, 49)


def test_why_an_eye_is_not_drawn():
    build, lookup, data = small_eyes()["late"]
    display = SimpleNamespace(studies=[SimpleNamespace(eye=build.eye)], packages=[])
    assert "--no-package" in live_eyes(display)[1][0]
    display.packages = [PackageFound("right", None, problem="the corner lies far outside.")]
    assert live_eyes(display) == (
        [], ["closed form: there is no package to draw it from (the corner lies far outside)"],
    )  # fmt: skip
    wrong = VerifyResult((Check("files", "hashes", True), Check("C evaluator", "sources", False)), Request())
    display.packages = [PackageFound("right", wrong)]
    assert "(checks of it failed: C evaluator, sources)" in live_eyes(display)[1][0]
    display.packages = [PackageFound("right", None, lookup=lookup)]
    with patch("prewarp.report.live.eye_data.FEWEST_CELLS", CELLS):
        (drawn,), missing = live_eyes(display)
    assert not missing and drawn["channels"] == data["channels"]
    deep = {name: replace(panel, bit_depth=14) for name, panel in build.eye.panels.items()}
    display.studies = [SimpleNamespace(eye=replace(build.eye, panels=deep))]
    assert "more than 12 bits" in live_eyes(display)[1][0]


def test_tables_that_shaders_cannot_sum_are_refused():
    _, lookup, _ = small_eyes()["late"]
    with pytest.raises(PackageError, match="no claims or no borders"):
        eye_data(small_build(), replace(lookup, claims=None, borders=()))


def test_without_an_eye_nothing_is_run():
    page = report_html([DisplayReport("visor", ())], live=live_part([], ("right eye: no package",)))
    found = Page(page)
    assert "No live picture: right eye: no package." in found.text
    assert found.all("script") == [] and found.all("canvas") == []
    assert "script-src 'none'" in page
    assert io.StringIO(page).readline() == "<!DOCTYPE html>\n"
