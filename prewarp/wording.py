"""Keys of JSON and tables as people read them."""

_UNITS = {
    "px": "px",
    "mm": "mm",
    "deg": "degrees",
    "deg2": "square degrees",
    "arcmin": "arcmin",
    "dioptres": "dioptres",
    "percent": "percent",
    "ms": "ms",
    "nm": "nm",
}


def counted(count: int, what: str, /) -> str:
    """Return a count and what is counted, in the plural unless it is one."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def spoken(key: str, /) -> str:
    """Return a key as words, its unit set off: `curl_arcmin_per_mm` is "curl, arcmin per mm".

    What begins with its unit, such as `px_per_degree`, is words alone.
    """
    words = key.split("_")
    for place in range(1, len(words)):
        unit, rest = words[place], words[place + 1 :]
        if unit in _UNITS and (not rest or rest[0] == "per"):
            return f"{' '.join(words[:place])}, {' '.join([_UNITS[unit], *rest])}"
    return " ".join(words)
