"""Every variant of the live stages compiles with the Khronos reference compiler, which is stricter than most drivers."""

import subprocess

import pytest

from prewarp.glsl import compose
from tests.support import require_tool

VARIANTS = [
    *(("eye_mesh.frag", {"PW_SIDE": side, "PW_PROJECTION": plane}) for side in (0, 1) for plane in (0, 1)),
    *(("eye_mesh.comp", {"PW_SIDE": side, "PW_PROJECTION": 1}) for side in (0, 1)),
    *(("eye_mesh.frag", {"PW_PUPIL_DEGREE": degree, "PW_MODES": 1}) for degree in (0, 1, 8)),
    *(("panel_mesh.frag", {"PW_ROUNDED": 1, "PW_ENCODING": kind}) for kind in (0, 1, 2)),
    *(("panel_mesh.comp", {"PW_TILE_NODES": 10, "PW_ENCODING": kind}) for kind in (0, 1, 2)),
    ("decode_pass.frag", {"PW_MEAN": 4}),
    ("node_vertices.vert", {"PW_PROJECTION": 1}),
    ("view_mesh.vert", {"PW_NODE_VALUES": 1}),
    *(("view_mesh.comp", {"PW_CHANNELS": count, "PW_AS_LIGHT": count % 2}) for count in (1, 2, 3, 4)),
    ("seam_spread.frag", {"PW_PROJECTION": 1}),
    ("show.frag", {"PW_ENCODED": 1}),
]


@pytest.mark.outside
@pytest.mark.parametrize(("name", "options"), VARIANTS)
def test_variant_compiles(name, options, tmp_path):
    compiler = require_tool("glslangValidator")
    stage = name.rpartition(".")[2]
    for dialect in ("430",) if stage == "comp" else ("330", "es300"):
        path = tmp_path / f"{dialect}.{stage}"
        path.write_text(compose(name, options=options, dialect=dialect).text)
        done = subprocess.run([compiler, str(path)], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout
