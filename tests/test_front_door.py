"""The front door: a short list of names, quick to import, each with an example that runs by itself."""

import doctest
import functools
import inspect
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import prewarp
from prewarp.export.write import WrittenPackage
from tests.support import long_form

ROOT = Path(__file__).resolve().parent.parent


def test_a_short_list_of_names():
    assert 8 <= len(prewarp.__all__) <= 16 and prewarp.__all__ == sorted(prewarp.__all__)
    assert set(prewarp.__all__) <= set(dir(prewarp))
    with pytest.raises(AttributeError, match="no attribute 'fit_gird'; it offers .*fit_grid"):
        _ = prewarp.fit_gird


def test_importing_and_asking_for_help_load_no_arrays():
    """Numpy alone takes longer to load than the list of commands may take."""
    code = "import sys, prewarp.cli\ntry: prewarp.cli.main(['--help'])\nfinally: print(sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert "Commands:" in done.stdout and "'prewarp.cli.group'" in done.stdout
    assert "'numpy'" not in done.stdout and "'prewarp.cli.commands.fit'" not in done.stdout


@pytest.fixture(scope="module")
def shared():
    """Fits and packages that examples have in common, made once."""
    return {}


@pytest.fixture
def beside_calib(tmp_path, monkeypatch, shared):
    """A folder with `calib` in it; what takes long is made once for all examples."""
    (tmp_path / "calib").symlink_to(ROOT / "calib")
    monkeypatch.chdir(tmp_path)
    fit, write = prewarp.fit_grid, prewarp.write_package

    @functools.wraps(fit)
    def fit_once(grid, /, **options):
        key = grid.sha256, str(options)
        if key not in shared:
            shared[key] = fit(grid, **options)
        return shared[key]

    @functools.wraps(write)
    def write_once(folder, eye, /, **options):
        kept = shared.get(str(options))
        if kept is None:
            kept = shared[str(options)] = write(tmp_path / folder, eye, **options)
        else:
            shutil.copytree(kept.folder, folder)
        return WrittenPackage(Path(folder), kept.manifest, kept.verification, kept.search)

    monkeypatch.setitem(vars(prewarp), "fit_grid", fit_once)
    monkeypatch.setitem(vars(prewarp), "write_package", write_once)
    return tmp_path


@pytest.mark.parametrize(
    "name",
    # These two take a fit and a package each; others do the same on the way.
    [
        pytest.param(one, marks=long_form if one in ("verify_package", "Eye") else ())
        for one in prewarp.__all__
    ],
)
def test_every_name_has_an_example_that_runs(name, beside_calib):
    text = inspect.getdoc(getattr(prewarp, name))
    example = doctest.DocTestParser().get_doctest(text, {}, name, None, 0)
    assert example.examples and example.examples[0].source == "import prewarp\n"
    told = []
    done = doctest.DocTestRunner().run(example, out=told.append)
    assert done.failed == 0, "".join(told)
