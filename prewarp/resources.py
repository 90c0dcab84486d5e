"""Where files that are not Python lie: shader pieces, demo modules, demo scenes.

In an installed package they are inside it; in a checkout they lie beside it. Both places are tried, in this
order.
"""

from pathlib import Path

from prewarp.checks import nearest_name
from prewarp.errors import InputFileError

FOLDERS = ("shaders", "calib", "demo_scenes")
_PACKAGE = Path(__file__).resolve().parent


def resource_folder(folder: str, /) -> Path:
    """Return the folder `shaders`, `calib` or `demo_scenes`.

    Raises
    ------
    InputFileError
        The name is none of these, or the folder is in neither place.
    """
    if folder not in FOLDERS:
        raise InputFileError(
            f"{folder!r} is not a folder of this package; expected one of {', '.join(FOLDERS)}."
        )
    places = (_PACKAGE / folder, _PACKAGE.parent / folder)
    for place in places:
        if place.is_dir():
            return place
    raise InputFileError(
        f"{places[0]}: folder '{folder}' is missing, and {places[1]} is not there either. "
        "Install the package again."
    )


def resource_path(folder: str, name: str, /) -> Path:
    """Return the path of one file; the name may hold folders but must stay inside.

    Raises
    ------
    InputFileError
        The file is missing (names the nearest one there) or the name leads out of the folder.
    """
    base = resource_folder(folder)
    path = (base / name).resolve()
    if not path.is_relative_to(base.resolve()):
        raise InputFileError(f"'{name}' leads out of '{folder}'. Give a name inside it.")
    if not path.is_file():
        known = [found.relative_to(base).as_posix() for found in base.rglob("*") if found.is_file()]
        raise InputFileError(f"{base}: no file '{name}'.{nearest_name(name, known)}", path=str(path))
    return path
