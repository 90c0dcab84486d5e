"""The report's live page with both demos, in Chromium and Firefox, held to the CPU renderer at full size.

`python -m tests.long.live_page FOLDER [chromium|firefox ...]`: fits both demos, writes packages and a page
into FOLDER (kept there: later calls read them), opens it, and prints for each case the share of pixels within
one code of `prewarp.render.cpu`, the largest difference, and the rate that the page tells of itself. Views of
each browser are kept beside, as PNG.

The reference draws by the package's own tables, shares of light among them: panels as large as the page
draws them, content as it was read, the view by Newton's method, one row of 24. Goal: 99.9 % within one code;
2 frames a second at 960 x 960 px.

Last figures in Chromium 156 (SwiftShader), view of 960 x 480 px, one row of 24, pixels within a code, largest
difference:

    case                       coaxial      folded
    harbour, pupil moved       99.969 %, 9  99.977 %, 11
    grid, tracker off          100 %, 1     99.932 %, 141 (one row of 8: 99.950 %)
    grid, before               100 %, 1     99.971 %, 14
    grid, 4 times at the seam  100 %, 1     100 %, 1

What differs lies along the outer border of what is lit, which the page reads from the texture of shares;
before the pre-warp along the folded panel's rim, where blue is seen up to 0.02 px off. Frames at 960 x 960
px take 0.24 s of processor time (0.50 before cells bent, in the same run): 8.9 (coaxial) and 7.1 (folded) a
second on two quiet cores, 1.6 to 4.1 where others used them six times over. Firefox 153 under Xvfb
(llvmpipe): the same shares and differences in every case, 6.5 (coaxial) and 4.3 frames a second.
"""

import json
import sys
from pathlib import Path

import numpy as np
from PIL import Image

import prewarp
from prewarp.export.build import DeviceBuild
from prewarp.field import FieldSet
from prewarp.lookup.blob_reading import lookup_from_blob
from prewarp.report.live.eye_data import eye_data
from prewarp.report.live.part import live_part
from prewarp.report.page.html import report_html
from prewarp.report.page.tree import DisplayReport
from tests.long.firefox import Firefox
from tests.report.page.chromium import Chromium
from tests.report.page.live_reference import READ, Shown, agreement, reference

BROWSERS = {"chromium": Chromium, "firefox": Firefox}
DEMOS = ("coaxial", "folded")
CASES = {
    "harbour, pupil moved": {"picture": "harbour", "pupil": [2.0, -1.5, 0.5]},
    "grid, tracker off": {"picture": "grid", "pupil": [2.0, -1.5, 0.5], "tracking": False},
    "grid, before": {"picture": "grid", "show": "before"},
    "grid, 4 times at the seam": {"picture": "grid", "zoom": 4, "pupil": [1.0, 1.0, 0.0]},
}
USUAL = {"show": "after", "zoom": 0, "tracking": True, "pupil": [0.0, 0.0, 0.0]}
# Panels of the demos have nodes enough 16 px apart.
NODE_STEP_PX = 16.0
# Rows of the view that are judged, one in so many: inverses by Newton's method are slow.
EVERY = 24
FRAMES = 8
SECONDS = 900.0


def demo(name, folder):
    """Return build and lookup of a demo, made once."""
    module = prewarp.read_module(f"calib/{name}.module.toml")
    fit, package = folder / f"{name}.fit.npz", folder / f"{name}_package"
    if not fit.exists():
        grid = prewarp.read_grid(f"calib/{name}.grid.npz")
        prewarp.fit_grid(grid, panel_size_px=module.panel_sizes_px).save(fit)
    eye = prewarp.assemble_eye(FieldSet.load(fit), module)
    if not package.exists():
        prewarp.write_package(package, eye)
    lookup = lookup_from_blob((package / "lookup/lookup.prewarp").read_bytes())
    return DeviceBuild(eye, np.zeros((1, 3))), lookup


def main(folder, names):
    folder.mkdir(exist_ok=True)
    made = [demo(name, folder) for name in DEMOS]
    page = folder / "live.html"
    eyes = [eye_data(build, lookup) for build, lookup in made]
    page.write_text(report_html([DisplayReport("demos", ())], live=live_part(eyes)), encoding="utf-8")
    print(f"page: {page.stat().st_size / 1e6:.2f} MB")
    for name in names:
        with BROWSERS[name](SECONDS) as browser:
            browser.open(page.resolve())
            print(name, browser.evaluate("navigator.userAgent"))
            print("  ready:", browser.evaluate("prewarpLive.ready") or "yes")
            shown = {
                key: _shown(browser, *key) for key in ((k, case) for k in range(len(DEMOS)) for case in CASES)
            }
            rates = [_rate(browser, place) for place in range(len(DEMOS))]
        for place, rate in enumerate(rates):
            print(f"  {DEMOS[place]}, 960 x 960 px, pupil moving: {rate:.1f} frames a second", flush=True)
        for (place, case), one in shown.items():
            expected = reference(*made[place], one, step_px=NODE_STEP_PX, every=EVERY)
            share, largest = agreement(one.pixels[::EVERY], expected)
            print(
                f"  {DEMOS[place]}, {case}: {100 * share:.3f} % within a code, largest {largest}", flush=True
            )
            stem = f"{name}_{DEMOS[place]}_{case.replace(', ', '_').replace(' ', '_')}"
            Image.fromarray(one.pixels).save(folder / f"{stem}.png")


def _shown(browser, place, case):
    state = json.dumps({**USUAL, **CASES[case], "eye": place})
    browser.evaluate(f"prewarpLive.live.put({state}).then(() => null)")
    return Shown(browser.evaluate(READ))


def _rate(browser, place):
    """Return frames a second while the pupil moves and the tracker follows, 960 x 960 px."""
    state = json.dumps({**USUAL, "eye": place, "picture": "harbour"})
    browser.evaluate(f"prewarpLive.live.put({state}).then(() => null)")
    return browser.evaluate(f"""(() => {{
      const {{ live }} = prewarpLive;
      live.resize(960, 960);
      live.draw();
      const begin = performance.now();
      for (let k = 1; k <= {FRAMES}; ++k) {{
        live.state.pupil = [0.2 * k, 0.1 * k, 0];
        live.history = [[-Infinity, live.state.pupil]];
        live.draw();
      }}
      return 1000 * {FRAMES} / (performance.now() - begin);
    }})()""")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:] or list(BROWSERS))
