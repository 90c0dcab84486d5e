"""The lookup in a package: blob, its layout, C evaluator; and what is found when they are run."""

import ctypes
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from prewarp import __version__
from prewarp.checks import FloatArray
from prewarp.errors import PackageError
from prewarp.export.build import DeviceBuild
from prewarp.export.c_code import code_of
from prewarp.export.c_evaluator import CEvaluator, compile_evaluator, find_compiler
from prewarp.export.c_header import layout_table
from prewarp.export.c_sources import c_sources
from prewarp.export.lookup_at_truth import KIND, LookupAtTruth
from prewarp.export.package_file import DIRECTION_FRAME, PANEL_FRAME, ArrayNote, JsonObject, PackageFile
from prewarp.export.reached import Reached, Tally, weight_errors
from prewarp.export.truth import Truth
from prewarp.lookup import Lookup
from prewarp.lookup.blob import blob_from_lookup
from prewarp.lookup.light_tables import border_tables, claim_table, gain_table
from prewarp.lookup.measure import held_px, px_error
from prewarp.lookup.tables import BorderTable, GainTable, MapTable
from prewarp.photometry.luminance import PUPIL_MARGIN, ScaledLuminance
from prewarp.seam import Seam
from prewarp.seam.claims import handed_over

if TYPE_CHECKING:
    from prewarp.photometry.match import LightMatch

BLOB, LAYOUT, C_SOURCE = KIND, "lookup layout", "c source"
FLOAT, FIXED = "C evaluator, float", "C evaluator, integer"
# As manifests name who wrote them.
THIS = f"prewarp {__version__}"
RUN_KINDS = (FLOAT, FIXED)
BLOB_PATH, LAYOUT_PATH, C_FOLDER = "lookup/lookup.prewarp", "lookup/LAYOUT.md", "c"
# The integer path rounds directions to 2^-28 and adds some tens of roundings (held to 3e-7 by its own tests).
FIXED_TANGENT = 1e-6
# Points per map and pupil at which C is called: one call each.
_C_POINTS, _C_PUPILS = 40, 4
# What the integer path's rounding may add is counted up to this share of the error itself.
_ROUNDING_SHARE = 0.05


def lookup_package_files(lookup: Lookup, /) -> list[PackageFile]:
    """Return blob, layout and C sources of a lookup."""
    blob = blob_from_lookup(lookup)
    details = {
        "largest_error_px": lookup.error_px,
        "pupil_box_mm": np.asarray(lookup.pupil_box_mm).tolist(),
        "maps": [_map_details(lookup, one) for one in lookup.maps],
        "light": _light_details(lookup),
    }
    frames = f"{PANEL_FRAME}; {DIRECTION_FRAME}"
    note = ArrayNote("lookup", (len(blob),), ("bytes",), "uint8", "see lookup/LAYOUT.md", frames)
    what, layout = (
        "eye-indexed tables: direction of every panel point",
        "layout of the lookup blob, entry by entry",
    )
    return [
        PackageFile(BLOB_PATH, blob, BLOB, what, (note,), details),
        PackageFile(LAYOUT_PATH, layout_table().encode(), LAYOUT, layout),
        *(
            PackageFile(f"{C_FOLDER}/{name}", text.encode(), C_SOURCE, "C99 evaluator of the lookup blob")
            for name, text in c_sources().items()
        ),
    ]


def blob_reached(seen: LookupAtTruth, /) -> Iterator[Reached]:
    """Hold a lookup, evaluated as a device does, to the truth; weights and gains too.

    `px` is the worst that is known: at the truth's points, or of the dense lattice over which the table was
    measured when it was made, as the blob says.
    """
    lookup, truth = seen.lookup, seen.truth
    for place, table in enumerate(lookup.maps):
        channel, colour = lookup.key_of(table)
        pixel, points = truth.pixel[channel], truth.maps[channel, colour]
        for number, light in enumerate(seen.lights):
            share = seen.lit_and_weights(place, number)[1][table.channel]
            drive = share.astype(float) * light.gain(place, pixel, points.tangent[number])
            px = max(float(seen.px_error(place, number).max()), told_px(table))
            yield Reached(BLOB, channel, colour, px, *weight_errors(drive - points.weight[number]))


def told_px(table: MapTable, /) -> float:
    """Return the largest error of a table as the blob holds it, panel px: rounded up to 32 bits."""
    single = np.float32(table.error_px)
    return float(single if single >= table.error_px else np.nextafter(single, np.float32(np.inf)))


def worst_at_truth(lookup: Lookup, truth: Truth, seam: Seam | None = None, /) -> float:
    """Return the largest error of a lookup's maps at the truth's points, panel px, with what the rounding of
    the integer path may add to it; those inside the seam by what they count (`measure.held_px`).
    """
    worst, seen = 0.0, LookupAtTruth(lookup, truth)
    if seam is not None:
        order = [seam.index(name) for name in lookup.channels]
        errors = seam_errors(seen, lambda tangent: seam.claims.at(tangent)[order])
        worst = max(held_px(0.0, *one) for one in errors)
    for place, table in enumerate(lookup.maps):
        channel, colour = lookup.key_of(table)
        slope = truth.maps[channel, colour].px_per_tangent
        rounding = FIXED_TANGENT * float(np.linalg.norm(slope, axis=(-2, -1)).max())
        for number in range(len(truth.pupils_mm)):
            px = float(seen.px_error(place, number).max())
            worst = max(worst, px + min(rounding, _ROUNDING_SHARE * px))
    return worst


def seam_errors(
    seen: LookupAtTruth, claims: Callable[[FloatArray], FloatArray], /
) -> list[tuple[float, float]]:
    """Return for every map its error at the truth's points inside the seam: largest and RMS, px.

    `claims` gives those of the lookup's channels (channels, n) in directions (n, 2). 0, 0 where no point lies
    there.
    """
    found = []
    for place, table in enumerate(seen.lookup.maps):
        px = [np.zeros(0)]
        for number, wanted in enumerate(seen.truth.maps[seen.lookup.key_of(table)].tangent):
            inside = handed_over(claims(wanted), table.channel)
            px.append(seen.px_error(place, number)[inside])
        every = np.concatenate(px)
        rms = float(np.sqrt(np.mean(every**2))) if len(every) else 0.0
        found.append((float(every.max(initial=0.0)), rms))
    return found


def evaluator_checks(
    blob: bytes, sources: dict[str, bytes], made_by: str, seen: LookupAtTruth, tally: Tally, /
) -> Iterator[tuple[str, bool | None, str]]:
    """Compile the C evaluator and run it on a blob, read as `seen`; yields (what, is good, why) and adds
    errors to the tally.

    Nothing that a package brings is compiled: what is run is this version's evaluator. Code that this version
    would write otherwise is wrong where the package says that this version wrote it (`made_by`), else not
    judged.
    """
    yield "sources", *_source_check(sources, made_by)
    compiler = find_compiler()
    if compiler is None:
        yield "run", True, "not run: no C compiler here"
        return
    evaluator = CEvaluator(_library(compiler), blob)
    if evaluator.status != 0:
        yield "run", False, f"the C reader of {THIS} refuses the blob with status {evaluator.status}"
        return
    differing = _run(evaluator, seen, tally)
    if differing:
        yield "run", False, f"float path differs from its Python twin in {differing} numbers"
    else:
        yield "run", True, f"float path of {THIS} equal to its Python twin to the last bit"


def _source_check(sources: dict[str, bytes], made_by: str) -> tuple[bool | None, str]:
    """Judge the C files of a package: (is good, why)."""
    own = c_sources()
    commented: list[str] = []
    different: list[str] = []
    for name in sorted(own.keys() | sources.keys()):
        text, found = own.get(name), sources.get(name)
        if text is None or found is None:
            different.append(name)
        elif text.encode() != found:
            (commented if _same_code(text, found) else different).append(name)
    told = f"{', '.join(different)}: not the code of {THIS}"
    if different and made_by != THIS:
        return None, (
            f"{told}; the package says {made_by} wrote it: neither compiled nor judged here. Verify with "
            "that version, or export again"
        )
    if different:
        return False, f"{told}, which the package says wrote it"
    if commented:
        return True, f"the code of {THIS}; comments differ in {', '.join(commented)}"
    return True, f"those of {THIS}"


def _same_code(text: str, found: bytes) -> bool:
    try:
        return code_of(text) == code_of(found.decode("utf-8"))
    except (PackageError, UnicodeDecodeError):
        return False


_OPTIONS = ("-O0",)
_compiled: Path | None = None


def compiled_for_others(folder: Path, /) -> Path | None:
    """Compile the evaluator into a folder for processes that `take_compiled`; None where no compiler does."""
    try:
        return compile_evaluator(folder, options=_OPTIONS)
    except PackageError:
        # Said of every package that asks for it.
        return None


def take_compiled(library: Path | None, /) -> None:
    """Let this process run the evaluator that another of the same program compiled."""
    global _compiled
    _compiled = library


@cache
def _library(compiler: str) -> ctypes.CDLL:
    """Return the compiled evaluator, loaded: one for all packages of a process. Its file is not kept."""
    if _compiled is not None:
        return ctypes.CDLL(str(_compiled))
    with tempfile.TemporaryDirectory(prefix="prewarp-", ignore_cleanup_errors=True) as folder:
        return ctypes.CDLL(str(compile_evaluator(Path(folder), compiler=compiler, options=_OPTIONS)))


def _run(evaluator: CEvaluator, seen: LookupAtTruth, tally: Tally) -> int:
    differing, lookup, truth = 0, seen.lookup, seen.truth
    pupils = np.unique(np.linspace(0, len(truth.pupils_mm) - 1, _C_PUPILS).astype(int))
    for place, table in enumerate(lookup.maps):
        channel, colour = lookup.key_of(table)
        pixel = truth.pixel[channel][:_C_POINTS]
        points = truth.maps[channel, colour]
        for number in pupils:
            pupil = truth.pupils_mm[number]
            twin = seen.tangent(place, number)[:_C_POINTS]
            for kind, fixed in ((FLOAT, False), (FIXED, True)):
                tangent = evaluator.map_at(place, pupil, fixed=fixed).direction_from_panel(pixel)
                differing += 0 if fixed else int(np.count_nonzero(tangent != twin))
                error = tangent - points.tangent[number, :_C_POINTS]
                px = px_error(error, points.px_per_tangent[number, :_C_POINTS]).max()
                tally.add(Reached(kind, channel, colour, float(px)))
    return differing


def with_light(lookup: Lookup, build: DeviceBuild, /) -> Lookup:
    """Return a lookup with the claims, borders and gains of a build, where the lookup has none."""
    box, claims, borders, gains = lookup.pupil_box_mm, lookup.claims, lookup.borders, lookup.gains
    if build.seam is not None and claims is None:
        claims = claim_table(build.seam, lookup.channels)
    if build.seam is not None and not borders:
        places = {lookup.key_of(table): place for place, table in enumerate(lookup.maps)}
        found: dict[int, BorderTable] = {}
        for channel in lookup.channels:
            keys = [key for key in places if key[0] == channel]
            own = border_tables([build.fields.field(*key) for key in keys], box_mm=box)
            found |= {places[key]: one for key, one in zip(keys, own, strict=True)}
        borders = tuple(found[place] for place in range(len(lookup.maps)))
    if build.match is not None and not gains:
        gains = tuple(_gain(build, build.match, lookup, table) for table in lookup.maps)
    return replace(
        lookup, content=lookup.content or build.content, claims=claims, borders=borders, gains=gains
    )


def _gain(build: DeviceBuild, match: "LightMatch", lookup: Lookup, table: MapTable) -> GainTable:
    channel, colour = lookup.key_of(table)

    def gain(pixel: FloatArray, tangent: FloatArray, pupil_mm: FloatArray) -> FloatArray:
        return match.gain(channel, colour, pixel, tangent, pupil_mm=pupil_mm)

    own = match.maps.map(channel, colour)
    while isinstance(own, ScaledLuminance):
        own = own.own
    # Beyond, the map stays as it is, which no polynomial does.
    centre, half = np.array(own.frame.centre_mm), PUPIL_MARGIN * np.array(own.frame.half_mm)
    return gain_table(
        gain,
        build.fields.field(channel, colour),
        channel=table.channel,
        colour=table.colour,
        box_mm=lookup.pupil_box_mm,
        degrees=(own.panel.degree, own.pupil_degree),
        followed_mm=np.stack([centre - half, centre + half]),
    )


def require_whole(lookup: Lookup, channels: tuple[str, ...], colours: tuple[str, ...], /) -> None:
    """Raise unless a lookup holds a map for every channel and colour that is built."""
    for channel in channels:
        for colour in colours:
            lookup.map_index(channel, colour)
    if set(lookup.channels) != set(channels) or set(lookup.colours) != set(colours):
        raise PackageError(
            f"the lookup is of {', '.join(lookup.channels)} in {', '.join(lookup.colours)}; expected "
            f"{', '.join(channels)} in {', '.join(colours)}."
        )


def _map_details(lookup: Lookup, table: MapTable) -> JsonObject:
    channel, colour = lookup.key_of(table)
    return {
        "channel": channel,
        "color": colour,
        "family": table.family.label,
        "columns": table.columns,
        "rows": table.rows,
        "modes": table.modes,
        "pupil_degree": table.pupil_degree,
        "added_to_map": table.base,
        "bytes": table.byte_count,
        "largest_error_px": table.error_px,
    }


def _light_details(lookup: Lookup) -> JsonObject:
    claims, bare = lookup.claims, replace(lookup, claims=None, borders=(), gains=())
    return {
        "bytes": len(blob_from_lookup(lookup)) - len(blob_from_lookup(bare)),
        "claims": None
        if claims is None
        else {"columns": claims.columns, "rows": claims.rows, "pitch_deg": claims.pitch_deg},
        "border_points": [len(one.block.numbers) // 2 for one in lookup.borders],
        "regions": [len(one.regions) for one in lookup.borders],
        "gains": [
            {
                "channel": lookup.channels[one.channel],
                "color": lookup.colours[one.colour],
                "coefficients": len(one.block.numbers),
                "largest_error": one.error,
            }
            for one in lookup.gains
        ],
    }
