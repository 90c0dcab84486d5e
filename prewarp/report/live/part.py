"""The live picture as a part of the page: its section, one script, one block of data, and what may run.

The script is this package's own text and is named by its hash in the page's content security policy; data are
JSON in an element that is not run. Nothing is loaded from anywhere.
"""

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from prewarp.files import MEBIBYTE, read_bytes
from prewarp.glsl import compose
from prewarp.render.scenes import SCENES
from prewarp.report.live.eye_data import JsonObject
from prewarp.resources import resource_path

# In the order in which they build on each other.
_SCRIPTS = ("gl.js", "cells.js", "passes.js", "view.js", "content.js", "controls.js", "main.js")
# Scenes of the page, and what people read; the first is shown first.
_SCENES = {
    "harbour": "harbour by night",
    "grid": "grid",
    "fine_lines": "fine lines",
    "text_page": "page of text",
    "grey_ramp": "grey levels",
    "checkerboard": "checkerboard",
}
_TYPES = {".png": "image/png", ".jpg": "image/jpeg"}
# Width of the view, px.
VIEW_PX = 960


@dataclass(frozen=True)
class LivePart:
    """`section`, `style`: parts of the page; `script_source`: what its policy allows to run, "'none'" where
    nothing is run.
    """

    section: Markup
    style: Markup
    script_source: str


def live_part(
    eyes: Sequence[JsonObject], missing: Sequence[str] = (), /, *, view_px: int = VIEW_PX
) -> LivePart:
    """Return the part of the page that draws eyes, from `eye_data`, `view_px` wide.

    `missing`: why others are not drawn.
    """
    here = files("prewarp.report.live")

    def own(name: str) -> str:
        return (here / name).read_text(encoding="utf-8")

    script = "\n".join(['"use strict";', "(() => {", *(own(name) for name in _SCRIPTS), "})();", ""])
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    section = environment.from_string(own("live.html.jinja")).render(
        eyes=eyes,
        missing=missing,
        scenes=list(_SCENES.items()),
        # Both are this package's own but for names, which are escaped as JSON in an element of HTML must be.
        data=Markup(script_json(_data(eyes, view_px)) if eyes else ""),
        script=Markup(script),
    )
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    return LivePart(Markup(section), Markup(own("live.css")), f"'sha256-{digest}'" if eyes else "'none'")


def script_json(value: object, /) -> str:
    """Return a value as JSON that may stand in a script element: nothing in it can end the element."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"), sort_keys=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def common_texts() -> dict[str, str]:
    """Return the texts that the page draws all eyes with, in GLSL ES 3.00: those of its view."""

    def text(piece: str, **options: int) -> str:
        return compose(piece, dialect="es300", options=options).text

    return {
        "picture.vert": text("picture.vert"),
        "content.frag": text("live_content.frag"),
        "decode.frag": text("decode_pass.frag", PREWARP_PLANES=1),
        "encode.frag": text("encode_view.frag"),
        "view_0.vert": text("live_view.vert", PREWARP_PROJECTION=0),
        "view_1.vert": text("live_view.vert", PREWARP_PROJECTION=1),
        "view.frag": text("live_view.frag"),
    }


def _data(eyes: Sequence[JsonObject], view_px: int) -> JsonObject:
    return {
        "common": common_texts(),
        "eyes": list(eyes),
        "scenes": {name: _scene(name) for name in _SCENES},
        "view_px": view_px,
    }


def _scene(name: str) -> JsonObject:
    path = resource_path("demo_scenes", SCENES[name])
    data = read_bytes(path, limit_bytes=MEBIBYTE, what="a scene")
    return {"type": _TYPES[path.suffix], "data": base64.b64encode(data).decode("ascii")}
