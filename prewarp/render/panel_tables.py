"""What `shaders/encoding.glsl` needs to encode light: its uniforms and, for measured panels, a table."""

from typing import TYPE_CHECKING

import numpy as np

from prewarp.encoding import TransferFunction
from prewarp.render.gpu import Program, row_texture

if TYPE_CHECKING:
    import moderngl

# Entries of the table of encoded values over the square root of light, for measured panels.
_ENTRIES = 4096


def encoding_tables(program: Program, transfer: TransferFunction, /) -> "dict[str, moderngl.Texture]":
    """Return the textures by name that a transfer function asks for; sets the program's uniforms for it."""
    if transfer.kind == "power":
        program.set("u_gamma", transfer.gamma)
    elif transfer.kind == "table":
        light = np.linspace(0.0, 1.0, _ENTRIES) ** 2
        return {"t_encoding": row_texture(program.context, transfer.encoded_from_linear(light))}
    return {}
