"""Stack that a call of the C evaluator takes, from what gcc says of every function and its calls."""

import re
import subprocess
from functools import lru_cache
from pathlib import Path

from prewarp.export.c_sources import SOURCES, write_c_sources
from tests.target.targets import FLAGS, SECONDS

NODE = re.compile(r'node: { title: "([^"]+)" label: "[^"]*\\n(\d+) bytes \(([\w,]+)\)"')
EDGE = re.compile(r'edge: { sourcename: "([^"]+)" targetname: "([^"]+)"')
# Calls through the tables of sums (prewarp_lines.c).
INDIRECT = "__indirect_call"
IN_TABLES = re.compile(r"\w+_of_\d+")
# What a function of the C library or the compiler's takes (memcpy, floorf, 64-bit division): common practice.
OUTSIDE_BYTES = 96


def call_graph(
    folder: Path, compiler: str, options: tuple[str, ...]
) -> tuple[dict[str, int], dict[str, set[str]]]:
    """Return bytes of every function, and what each calls."""
    write_c_sources(folder)
    for name in SOURCES:
        command = [compiler, *FLAGS, *options, "-fcallgraph-info=su", "-c", name]
        subprocess.run(command, cwd=folder, check=True, timeout=SECONDS)
    own: dict[str, int] = {}
    calls: dict[str, set[str]] = {}
    for path in folder.glob("*.ci"):
        text = path.read_text()
        for title, size, kind in NODE.findall(text):
            if size:
                assert kind in ("static", "dynamic,bounded"), f"{title}: stack that grows as it runs ({kind})"
                own[title] = int(size)
        for source, target in EDGE.findall(text):
            calls.setdefault(source, set()).add(target)
    tables = {title for title in own if IN_TABLES.fullmatch(title.rsplit(":", 1)[-1])}
    for targets in calls.values():
        if INDIRECT in targets:
            targets.discard(INDIRECT)
            targets |= tables
    return own, calls


def deepest(own: dict[str, int], calls: dict[str, set[str]]) -> dict[str, int]:
    """Return bytes of every public function with all that it calls. Recursion is an error."""
    on_the_way: list[str] = []

    @lru_cache(maxsize=None)
    def depth(name: str) -> int:
        assert name not in on_the_way, f"{name} calls itself"
        if name not in own:
            return OUTSIDE_BYTES
        on_the_way.append(name)
        most = own[name] + max((depth(other) for other in calls.get(name, ())), default=0)
        on_the_way.pop()
        return most

    return {name: depth(name) for name in own if name.startswith("prewarp_") and ":" not in name}
