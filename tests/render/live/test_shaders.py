"""Every variant of the live stages compiles with the Khronos reference compiler, stricter than most."""

import subprocess

import pytest

from prewarp.glsl import compose
from tests.support import require_tool

VARIANTS = [
    *(
        ("eye_mesh.frag", {"PREWARP_SIDE": side, "PREWARP_PROJECTION": plane})
        for side in (0, 1)
        for plane in (0, 1)
    ),
    *(("eye_mesh.comp", {"PREWARP_SIDE": side, "PREWARP_PROJECTION": 1}) for side in (0, 1)),
    *(("eye_mesh.frag", {"PREWARP_PUPIL_DEGREE": degree, "PREWARP_LIT": 1}) for degree in (0, 1, 8)),
    *(("panel_mesh.frag", {"PREWARP_ROUNDED": 1, "PREWARP_ENCODING": kind}) for kind in (0, 1, 2)),
    *(("panel_mesh.comp", {"PREWARP_TILE_NODES": 10, "PREWARP_ENCODING": kind}) for kind in (0, 1, 2)),
    ("decode_pass.frag", {"PREWARP_MEAN": 4}),
    ("node_vertices.vert", {"PREWARP_PROJECTION": 1}),
    ("view_mesh.vert", {"PREWARP_NODE_VALUES": 1}),
    *(
        ("view_mesh.comp", {"PREWARP_CHANNELS": count, "PREWARP_AS_LIGHT": count % 2})
        for count in (1, 2, 3, 4)
    ),
    ("seam_spread.frag", {"PREWARP_PROJECTION": 1}),
    ("show.frag", {"PREWARP_ENCODED": 1}),
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
