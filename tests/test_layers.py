"""The house has one direction: a module imports from those above it in this list."""

import ast
from pathlib import Path

import pytest

import prewarp
from tests.sources import nodes_of, tree_of

ROOT = Path(prewarp.__file__).parent
# Rows may import from rows above them, and from their own package; modules in one row know nothing of others.
LAYERS = (
    ("errors", "leftovers"),
    ("checks", "published", "notebook", "wording", "watching", "memory", "cores"),
    ("files", "processes", "frames", "chebyshev", "points", "neighbours", "robust"),
    ("renaming",),
    ("resources", "folders", "content", "lattice", "encoding", "records", "columns", "pupils"),
    ("scan", "limits", "tracker", "quality"),
    ("module",),
    ("grids",),
    ("checking", "trace", "module_file"),
    ("fitting",),
    ("field",),
    ("head",),
    ("poses",),
    ("focus", "seam", "resampling"),
    ("registration", "photometry"),
    ("capture",),
    ("eye",),
    ("budget", "binocular", "mesh"),
    ("mesh_window",),
    ("lookup",),
    ("glsl",),
    ("render",),
    ("export",),
    ("line",),
    ("acceptance",),
    ("report", "preview"),
    ("demo",),
    ("cli",),
    ("__main__",),
)
# Methods called `plot` return the figure that a command writes, and figures lie below the classes that they
# draw. They are imported when one is asked for and not before: nothing else may depend on them.
PLOTTED = {"field/fieldset.py", "seam/blend.py", "budget/budget.py"}
RANK = {name: rank for rank, row in enumerate(LAYERS) for name in row}


def _only_for_types(tree):
    """Return the nodes that a type checker alone reads."""
    return {
        node
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for node in ast.walk(block)
    }


def _in_plot(tree):
    """Return the nodes inside methods called `plot`."""
    found = (one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef) and one.name == "plot")
    return {node for one in found for node in ast.walk(one)}


def _imports():
    """Return (file, own place, imported place) of every import in the package but figures by `plot`."""
    found = []
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        if parts == ("__init__",):
            continue
        file = path.relative_to(ROOT).as_posix()
        drawn = _in_plot(tree_of(path)) if file in PLOTTED else set()
        for node in nodes_of(path):
            names = []
            if isinstance(node, ast.ImportFrom) and node.module:
                assert node.level == 0, f"{path}: relative import; write it out"
                names = (
                    [node.module]
                    if node.module != "prewarp"
                    else [f"prewarp.{one.name}" for one in node.names]
                )
            elif isinstance(node, ast.Import):
                names = [one.name for one in node.names]
            found += [
                (file, parts[0], name.split(".")[1])
                for name in names
                if name.startswith("prewarp.") and name != "prewarp.__version__"
                if not (node in drawn and name.startswith("prewarp.report."))
            ]
    return found


def test_every_module_has_a_place():
    places = {
        path.stem if path.is_file() else path.name for path in ROOT.iterdir() if path.suffix in ("", ".py")
    }
    # What a wheel carries besides Python lies in the package as well.
    places -= {"__init__", "__pycache__", "shaders", "calib", "demo_scenes"}
    assert places == set(RANK)


def test_imports_go_one_way():
    wrong = [
        f"{file} imports {other}"
        for file, own, other in _imports()
        if other != own and not RANK[other] < RANK[own]
    ]
    assert not wrong, "\n".join(wrong)


def test_only_methods_called_plot_reach_up_to_figures():
    for file in PLOTTED:
        tree = tree_of(ROOT / file)
        found = {
            one for one in ast.walk(tree) if isinstance(one, ast.ImportFrom) and "report" in str(one.module)
        }
        assert found and found <= _in_plot(tree), file


def test_the_test_sees_imports():
    imports = _imports()
    assert ("demo/run.py", "demo", "render") in imports
    assert len(imports) > 300


@pytest.mark.parametrize("name", sorted(RANK))
def test_no_core_module_imports_what_is_slow_or_optional(name):
    """Plots, command line and GL are asked for only where used; `plot` methods name a figure's class."""
    allowed = {
        "matplotlib": {"report"},
        "jinja2": {"report"},
        "click": {"cli"},
        "rich": {"cli"},
        "moderngl": {"render", "preview"},
        "glfw": {"render", "preview"},
    }
    paths = [ROOT / f"{name}.py"] if (ROOT / f"{name}.py").is_file() else sorted((ROOT / name).rglob("*.py"))
    for path in paths:
        types = _only_for_types(tree_of(path)) if path.relative_to(ROOT).as_posix() in PLOTTED else set()
        for node in set(nodes_of(path)) - types:
            names = [one.name for one in node.names] if isinstance(node, ast.Import) else []
            names += [node.module] if isinstance(node, ast.ImportFrom) and node.module else []
            for imported in names:
                owners = allowed.get(imported.split(".")[0])
                assert owners is None or name in owners, f"{path.name} imports {imported}"
