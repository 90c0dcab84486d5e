"""A module as the text of a commented file; comments are made from the records that will read it."""

import json
from collections.abc import Iterator

from prewarp.module import DisplayModule
from prewarp.module_file.keys import KEY_TABLES, KeyTable, key_rows
from prewarp.module_file.start import NewModule

# What stands for a value of which no example would be right for anybody.
_LEFT_OPEN = "..."
# What an entry or table that may be left out looks like; it stands in the file as a comment.
_EXAMPLES = {
    "gamma": "2.2",
    "table": "[0.0, 0.2, 1.0]",
    "edge_deg": "0.0",
    "mirrored": "false",
    "direction": '"down"',
    "start_ms": "0.0",
    "line_us": "4.0",
    "persistence_ms": "2.0",
    "white": "[0.3127, 0.3290]",
}


def module_text(new: NewModule, /) -> str:
    """Return a file that reads back as `new.module`; what each key takes stands beside its first use."""
    module = new.module
    lines = [
        *(f"# {line}" for line in new.head),
        "# 'prewarp module --help' lists every key with its range; 'prewarp module FILE' checks this file.",
        "",
    ]
    tables = {table.heading: table for table in KEY_TABLES}
    lines += _table(tables[""], "", {"name": module.name}, new)
    box, content = module.eye_box, module.content
    lines += _table(
        tables["[eye_box]"],
        "eye_box",
        {"half_x_mm": box.half_x_mm, "half_y_mm": box.half_y_mm, "half_z_mm": box.half_z_mm},
        new,
    )
    width, height = content.size_px
    entries = {"projection": content.projection, "width_px": width, "height_px": height}
    entries |= {"field_x_deg": content.field_x_deg}
    lines += _table(tables["[content]"], "content", entries, new)
    for place, colour in enumerate(module.colours):
        entries = {"wavelength_nm": colour.wavelength_nm}
        lines += _table(tables["[color.NAME]"], f"color.{colour.name}", entries, new, first=place == 0)
    lines += _channels(module, tables, new)
    for table in KEY_TABLES:
        if table.optional and "NAME" not in table.heading:
            lines += _example(table, table.heading.strip("[]"))
    return "\n".join(lines).rstrip("\n") + "\n"


def _channels(module: DisplayModule, tables: dict[str, KeyTable], new: NewModule) -> Iterator[str]:
    for place, channel in enumerate(module.channels):
        key, first, panel = f"channel.{channel.name}", place == 0, channel.panel
        yield from _table(tables["[channel.NAME]"], key, {"eye": channel.eye}, new, first=first)
        entries: dict[str, object] = {
            name: getattr(panel, name)
            for name in ("width_px", "height_px", "pitch_um", "encoding", "bit_depth")
        }
        if panel.mirrored:
            entries["mirrored"] = True
        yield from _table(tables["[channel.NAME.panel]"], f"{key}.panel", entries, new, first=first)
        if first:
            yield from _example(tables["[channel.NAME.panel.scan]"], f"{key}.panel.scan")
        entries = {"dir_x_deg": list(channel.reach.dir_x_deg), "dir_y_deg": list(channel.reach.dir_y_deg)}
        yield from _table(tables["[channel.NAME.reach]"], f"{key}.reach", entries, new, first=first)
        if first and len(module.colours) == 3:
            white = [f"{colour.name} = [x, y]" for colour in module.colours]
            yield from _example(tables["[channel.NAME.chromaticity]"], f"{key}.chromaticity", *white)


def _table(
    table: KeyTable, key: str, entries: dict[str, object], new: NewModule, *, first: bool = True
) -> Iterator[str]:
    """Yield the lines of one table; with `first` also what keys take, and those that may be left out."""
    if key:
        yield f"[{key}]" + (f"  # {table.says}" if first and table.says else "")
    rows = []
    for name, accepted, default, means in key_rows(table):
        remark = new.remarks.get(f"{key}.{name}" if key else name, "")
        comment = "; ".join(part for part in (means, accepted, remark) if part) if first else remark
        if name in entries:
            rows.append((f"{name} = {_value(entries[name])}", comment))
        elif first and default:
            rows.append((f"# {name} = {_EXAMPLES.get(name, _LEFT_OPEN)}", comment))
    yield from _aligned(rows)
    yield ""


def _example(table: KeyTable, key: str, *more: str) -> Iterator[str]:
    """Yield an optional table as a comment."""
    yield f"# [{key}]  # optional: {table.says}"
    rows = [
        (f"# {name} = {_EXAMPLES.get(name, _LEFT_OPEN)}", f"{means}; {accepted}")
        for name, accepted, _, means in key_rows(table)
    ]
    yield from _aligned([*((f"# {line}", "") for line in more), *rows])
    yield ""


def _aligned(rows: list[tuple[str, str]]) -> Iterator[str]:
    width = max((len(entry) for entry, _ in rows), default=0)
    for entry, comment in rows:
        yield f"{entry:{width}}  # {comment}" if comment else entry


def _value(value: object) -> str:
    """Return a value in TOML; JSON writes strings, numbers, flags and lists of these alike."""
    return json.dumps(value, ensure_ascii=False)
