"""Commands that write a folder look at what lies there before anything else, and remove none of it."""

import pytest

from tests.cli.conftest import run


@pytest.fixture
def taken(tmp_path):
    folder = tmp_path / "visor"
    folder.mkdir()
    (folder / "notes.txt").write_text("keep", encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    "command",
    [
        ("export", "no.fit.npz", "--module", "no.toml"),
        ("export", "no.fit.npz", "--module", "no.toml", "--eye", "both"),
        ("render", "no.fit.npz", "--module", "no.toml"),
        ("film", "no.fit.npz"),
        ("film", "no.toml", "--eye", "both"),
        ("preview", "no.toml", "--eye", "both", "--offscreen"),
        ("targets", "no.toml"),
        ("photograph", "no.csv", "--fit", "no.npz", "--module", "no.toml", "--camera", "no.toml"),
        ("demo",),
    ],
)
def test_what_lies_in_the_way_is_told_before_the_work(taken, command):
    """The inputs do not exist: who looked at them first would say so."""
    done = run(*command, "-o", taken)
    assert done.exit_code == 2
    last = done.stderr.splitlines()[-1]
    assert f"{taken}: holds what prewarp did not write" in last and "notes.txt. Move it away" in last
    assert [one.name for one in taken.iterdir()] == ["notes.txt"]
    assert [one.name for one in taken.parent.iterdir()] == ["visor"]


def test_a_film_and_notes_in_the_folder_of_a_package_stay(capture, tmp_path):
    """What was seen: both vanished when the package was written again."""
    request = (
        "export", capture / "visor.fit.npz", "--module", capture / "visor.toml", "--pupils", "1x1x1",
        "--format", "csv", "-o", tmp_path / "visor",
    )  # fmt: skip
    assert run(*request).exit_code == 0
    (tmp_path / "visor" / "film").mkdir()
    for name in ("notes.txt", "film/frame_00000.png"):
        (tmp_path / "visor" / name).write_bytes(b"mine")
    done = run(*request)
    assert done.exit_code == 2 and "film/frame_00000.png, notes.txt" in done.stderr
    for name in ("notes.txt", "film/frame_00000.png"):
        assert (tmp_path / "visor" / name).read_bytes() == b"mine"
        (tmp_path / "visor" / name).unlink()
    (tmp_path / "visor" / "film").rmdir()
    assert run(*request).exit_code == 0
