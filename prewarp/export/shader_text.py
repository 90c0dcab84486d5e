"""Shader text for devices: pieces of `shaders/` composed and cut to options, in one of three dialects.

The pieces declare what they need as uniforms. Here every uniform becomes either a constant (with its meaning
and unit in a comment) or a resource; one that is neither is an error, so nothing is left to guess. Text only:
nothing here needs OpenGL.
"""

import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

from prewarp.checks import nearest_name
from prewarp.errors import ShaderError
from prewarp.glsl import VERSIONS, compose

GLSL, ES, VULKAN = "glsl330", "glsl300es", "vulkan450"
# First lines per dialect.
HEADS = {GLSL: VERSIONS["330"], ES: VERSIONS["es300"], VULKAN: "#version 450\n"}
# The same for compute stages.
GLSL_COMPUTE, ES_COMPUTE = "glsl430", "glsl310es"
COMPUTE_HEADS = {
    GLSL_COMPUTE: VERSIONS["430"],
    ES_COMPUTE: VERSIONS["es300"].replace("300 es", "310 es") + "precision highp image2D;\n",
    VULKAN: HEADS[VULKAN],
}
# Which dialect of compute stages goes with one of the others.
COMPUTE_OF = dict(zip(HEADS, COMPUTE_HEADS, strict=True))
STAGES = {".vert": "vertex", ".frag": "fragment", ".comp": "compute"}
# Left to whoever compiles.
OPEN_OPTIONS = ("PREWARP_ROWS_UP",)
# Blocks whose binding is the same in every stage; others are numbered with the textures of their stage.
FIXED_BINDINGS = {"PrewarpHead": 15, "PrewarpPupil": 14}
_GUARD = re.compile(r"^\s*#ifndef\s+(\w+)\s*$")
_DEFINE = re.compile(r"^\s*#define\s+(\w+)\s+(-?\d+)\s*$")
_CONDITION = re.compile(r"^\s*#(if|elif)\s+(\w+)\s*(==|>|<)\s*(\d+)\s*$")
_UNIFORM = re.compile(r"^uniform\s+(\w+)\s+(\w+)\s*;")
_BLOCK = re.compile(r"^layout\(std140\)\s+uniform\s+(\w+)\s*\{")
_IMAGE = re.compile(r"^layout\((\w+), binding = 0\) writeonly uniform image2D (\w+)\s*;")
_BETWEEN = re.compile(r"^(in|out)\s+(\w+)\s+(\w+)\s*;")
_COMPARE: dict[str, Callable[[int, int], bool]] = {"==": operator.eq, ">": operator.gt, "<": operator.lt}


@dataclass(frozen=True)
class Constant:
    """A value that is written into the text.

    `type`: float, vec2, vec3 or mat3. `values`: column by column. Meaning and unit are for people.
    """

    type: str
    values: tuple[float, ...]
    meaning: str
    unit: str

    def line(self, name: str) -> str:
        """Return its declaration."""
        numbers = ", ".join(literal(value) for value in self.values)
        value = numbers if self.type == "float" else f"{self.type}({numbers})"
        unit = f"; {self.unit}" if self.unit else ""
        return f"const {self.type} {name} = {value}; // {self.meaning}{unit}"


@dataclass(frozen=True)
class DeviceShader:
    """One stage: `text`, and what it must be given.

    `inputs`, `outputs`: (location, type, name); `samplers`: (binding, name); `blocks`: (binding, name);
    `constants` by name; `images`, written to: (binding, name). Bindings are those of the Vulkan dialect
    (set 0); the others bind by name, and an image at unit 0.
    """

    text: str
    stage: str
    dialect: str
    inputs: tuple[tuple[int, str, str], ...]
    outputs: tuple[tuple[int, str, str], ...]
    samplers: tuple[tuple[int, str], ...]
    blocks: tuple[tuple[int, str], ...]
    constants: Mapping[str, Constant] = field(default_factory=dict)
    images: tuple[tuple[int, str], ...] = ()


def device_shader(
    piece: str,
    /,
    *,
    dialect: str,
    options: Mapping[str, int],
    constants: Mapping[str, Constant],
    meanings: Mapping[str, str],
    head: str,
) -> DeviceShader:
    """Return one stage for a device.

    Parameters
    ----------
    piece : str
        File in `shaders/`, a stage.
    dialect : str
        A key of `HEADS`, or of `COMPUTE_HEADS` for a compute stage.
    options : mapping
        Values for options of the pieces; the rest have their defaults.
    constants : mapping
        Values for uniforms that are not textures.
    meanings : mapping
        What each texture or block holds, with units and texel convention.
    head : str
        Lines for people, written as a comment under the first line.

    Raises
    ------
    ShaderError
        An unknown dialect or option, or a uniform that is neither constant nor texture.
    """
    stage = STAGES[Path(piece).suffix]
    heads = COMPUTE_HEADS if stage == "compute" else HEADS
    if dialect not in heads:
        raise ShaderError(f"dialect is {dialect!r}; expected one of {', '.join(heads)}.")
    composed = compose(piece, options=options).text.splitlines()
    # What composing put at the top: the version, and the options as defines.
    lines = _pruned(composed[1 + len(options) :], options)
    body = _Declared(piece, dialect, constants, meanings)
    text_lines = [body.rewritten(line) for line in lines]
    text = "\n".join(text_lines)
    code = re.sub(r"//.*", "", text)
    defines = [
        f"#define {name} {value}" for name, value in options.items() if re.search(rf"\b{name}\b", code)
    ]
    comment = [f"// {line}".rstrip() for line in head.splitlines()]
    first, *others = heads[dialect].rstrip("\n").split("\n")
    whole = "\n".join([first, *comment, *others, *defines, text])
    return DeviceShader(
        re.sub(r"\n{3,}", "\n\n", whole).rstrip("\n") + "\n",
        stage,
        dialect,
        tuple(body.inputs),
        tuple(body.outputs),
        tuple(body.samplers),
        tuple(body.blocks),
        {name: constants[name] for name in body.used},
        tuple(body.images),
    )


def literal(value: float, /) -> str:
    """Return a number as a float literal that reads back as the same 32-bit float."""
    number = np.float32(value)
    if not np.isfinite(number):
        raise ShaderError(f"a constant is {value!r}; expected a finite number.")
    plain = number == 0 or 1e-4 <= abs(number) < 1e7
    written = np.format_float_positional if plain else np.format_float_scientific
    return written(number, trim="0")


class _Declared:
    """Rewrites declarations for a dialect and keeps a list of them."""

    def __init__(
        self, piece: str, dialect: str, constants: Mapping[str, Constant], meanings: Mapping[str, str]
    ) -> None:
        self.piece, self.constants, self.meanings = piece, constants, meanings
        self.vulkan = dialect == VULKAN
        self.is_vertex = piece.endswith(".vert")
        self.inputs: list[tuple[int, str, str]] = []
        self.outputs: list[tuple[int, str, str]] = []
        self.samplers: list[tuple[int, str]] = []
        self.blocks: list[tuple[int, str]] = []
        self.images: list[tuple[int, str]] = []
        self.used: list[str] = []

    def rewritten(self, line: str) -> str:
        if found := _UNIFORM.match(line):
            return self._uniform(found[1], found[2])
        if found := _BLOCK.match(line):
            return self._block(found[1], line)
        if found := _IMAGE.match(line):
            return self._image(found[1], found[2])
        if found := _BETWEEN.match(line):
            return self._between(found[1], found[2], found[3])
        return line.replace("gl_VertexID", "gl_VertexIndex") if self.vulkan else line

    def _uniform(self, kind: str, name: str) -> str:
        if not kind.startswith("sampler"):
            if name not in self.constants:
                raise ShaderError(
                    f"{self.piece}: no value for '{name}'; there are {', '.join(self.constants) or 'none'}."
                    f"{nearest_name(name, self.constants)}"
                )
            self.used.append(name)
            return self.constants[name].line(name)
        binding = self._next_binding()
        self.samplers.append((binding, name))
        layout = f"layout(set = 0, binding = {binding}) " if self.vulkan else ""
        return f"{layout}uniform {kind} {name}; // {self._meaning(name)}"

    def _block(self, name: str, line: str) -> str:
        binding = FIXED_BINDINGS.get(name, self._next_binding())
        self.blocks.append((binding, name))
        if self.vulkan:
            line = line.replace("layout(std140)", f"layout(std140, set = 0, binding = {binding})")
        return f"// {self._meaning(name)}\n{line}"

    def _image(self, form: str, name: str) -> str:
        binding = self._next_binding()
        self.images.append((binding, name))
        place = f"set = 0, binding = {binding}" if self.vulkan else "binding = 0"
        return f"layout({form}, {place}) writeonly uniform image2D {name}; // {self._meaning(name)}"

    def _between(self, way: str, kind: str, name: str) -> str:
        listed = self.inputs if way == "in" else self.outputs
        location = len(listed)
        listed.append((location, kind, name))
        # Only Vulkan gives numbers to what goes from stage to stage; the others join it by name.
        outward = (way == "in") == self.is_vertex
        layout = f"layout(location = {location}) " if self.vulkan or outward else ""
        return f"{layout}{way} {kind} {name};"

    def _next_binding(self) -> int:
        blocks = [name for _, name in self.blocks if name not in FIXED_BINDINGS]
        return len(self.samplers) + len(self.images) + len(blocks)

    def _meaning(self, name: str) -> str:
        if name not in self.meanings:
            raise ShaderError(f"{self.piece}: nothing said of '{name}'.{nearest_name(name, self.meanings)}")
        return self.meanings[name]


def _pruned(lines: list[str], options: Mapping[str, int]) -> list[str]:
    """Return the lines that are left when every option but `OPEN_OPTIONS` has its value."""
    values = _defaults(lines) | dict(options)

    def holds(condition: re.Match[str]) -> bool:
        return _COMPARE[condition[3]](_value(values, condition[2]), int(condition[4]))

    kept: list[str] = []
    # Per open conditional: whether its directives stay, whether it is active, whether a branch was taken.
    stack: list[list[bool]] = []
    seen: set[str] = set()
    for line in lines:
        active = all(frame[1] for frame in stack)
        word = line.strip().split(" ")[0]
        guard, condition = _GUARD.match(line), _CONDITION.match(line)
        stays = True
        if guard:
            stays = guard[1] in OPEN_OPTIONS and guard[1] not in seen
            seen.add(guard[1])
            stack.append([stays, stays, True])
        elif condition and condition[2] in OPEN_OPTIONS:
            stack.append([True, True, True])
        elif condition and condition[1] == "if":
            stays = False
            stack.append([False, *[holds(condition)] * 2])
        elif word in ("#elif", "#else") and not stack[-1][0]:
            stays = False
            good = condition is None or holds(condition)
            stack[-1][1:] = [good and not stack[-1][2], good or stack[-1][2]]
        elif word == "#endif":
            stays = stack.pop()[0]
            active = all(frame[1] for frame in stack)
        if stays and active:
            kept.append(line)
    return kept


def _defaults(lines: list[str]) -> dict[str, int]:
    values: dict[str, int] = {}
    for before, line in pairwise(lines):
        guard, define = _GUARD.match(before), _DEFINE.match(line)
        if guard and define and guard[1] == define[1]:
            values.setdefault(define[1], int(define[2]))
    return values


def _value(values: Mapping[str, int], name: str) -> int:
    if name not in values:
        raise ShaderError(f"a condition asks for '{name}', which no piece lists.{nearest_name(name, values)}")
    return values[name]
