"""`GUIDE.md` of a package: how its parts go together, for the engineer who gets the folder alone."""

from importlib import resources

from prewarp.export.build import DeviceBuild
from prewarp.export.package_file import FRAMES, PackageFile
from prewarp.export.reserve import lent_memory
from prewarp.lookup import Lookup

PATH = "GUIDE.md"
_TEMPLATE = "guide.template.md"


def guide_file(build: DeviceBuild, cautions: tuple[str, ...], lookup: Lookup | None = None, /) -> PackageFile:
    """Return `GUIDE.md`; with a lookup it says how much memory its tables take on a device."""
    low, high = (", ".join(f"{value:g}" for value in end) for end in build.pupil_box_mm)
    names = [f"'{' '.join(name.split())}'" for name in build.channels]
    width, height = build.content.size_px
    template = resources.files("prewarp.export").joinpath(_TEMPLATE).read_text(encoding="utf-8")
    text = template.format(
        channels=f"channel{'s' if len(names) > 1 else ''} {', '.join(names)}",
        width=width,
        height=height,
        low=f"({low})",
        high=f"({high})",
        frames="\n".join(f"- {name}: {meaning}" for name, meaning in FRAMES.items()),
        reserve=lent_memory(lookup),
        cautions="\n".join(f"- {line}" for line in cautions),
    )
    return PackageFile(PATH, text.encode(), "guide", "how the parts of the package go together")
