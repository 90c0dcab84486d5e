"""One deliberate fault, where its text stands in a tree whose files may have moved, and the list of all."""

import re
from dataclasses import dataclass
from pathlib import Path

FOLDERS = ("prewarp", "shaders")
FAULTS = Path(__file__).with_name("faults.txt")
_ENTRY = re.compile(r"(?P<file>\S+): (?P<breaks>.+)\n- (?P<old>.+)\n\+ (?P<new>.*)\n\? (?P<tests>.+)")


@dataclass(frozen=True)
class Mutation:
    """`old` in `file` becomes `new`; `breaks` says in words what is wrong then; `tests` should see it."""

    file: str
    old: str
    new: str
    breaks: str
    tests: tuple[str, ...]

    @property
    def _pattern(self) -> re.Pattern[str]:
        # A line break where there was a space is no other text.
        return re.compile(r"\s+".join(re.escape(word) for word in self.old.split()))

    def place(self, tree: Path, /) -> Path | None:
        """Return the file that holds the text exactly once: where it was, else one of that name, else any."""
        own = tree / self.file
        same_name = [path for folder in FOLDERS for path in (tree / folder).rglob(own.name)]
        every = [path for folder in FOLDERS for path in (tree / folder).rglob(f"*{own.suffix}")]
        for paths in ([own] if own.is_file() else [], same_name, every):
            counts = {path: len(self._pattern.findall(path.read_text(encoding="utf-8"))) for path in paths}
            holders = [path for path, count in counts.items() if count]
            if holders:
                return holders[0] if len(holders) == 1 and counts[holders[0]] == 1 else None
        return None

    def applied(self, text: str, /) -> str:
        """Return the text with the fault in it."""
        return self._pattern.sub(lambda found: self.new, text)


def mutations() -> list[Mutation]:
    """Return the faults of `faults.txt`: entries of four lines, apart from comments and empty lines."""
    text = FAULTS.read_text(encoding="utf-8")
    entries = re.sub(r"^#.*\n", "", text, flags=re.MULTILINE).strip()
    found = []
    for entry in re.split(r"\n{2,}", entries):
        match = _ENTRY.fullmatch(entry)
        if match is None:
            raise ValueError(f"{FAULTS}: not a fault of four lines (file: words, -, +, ?):\n{entry}")
        tests = tuple(f"tests/{test}" for test in match["tests"].split())
        found.append(Mutation(match["file"], match["old"], match["new"], match["breaks"], tests))
    return found
