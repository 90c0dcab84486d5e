"""Output folders under attack: two writers of one name, and a kill before every file event.

`python -m tests.long.folder_trials [RACES [FILES]]`: races between two writers of one name, the first of them
onto nothing, and kills as `tests/folder_trials.py` describes them, of folders with so many files. It ends
with an error at the first that leaves half a folder, none, or anything beside it.

Last figures, 2000 races and folders of 8 files: all as they must be; killed at each of 32 events fresh, of 76
replacing by exchange and of 77 moving the old one aside. Before, 2 of 400 races ended with no folder.
"""

import sys
import tempfile
from functools import partial
from pathlib import Path

from tests import folder_trials


def main(races="2000", files="3"):
    """Run all trials and print how many there were."""
    folder_trials.write_folder = partial(folder_trials.write_folder, files=int(files))
    with tempfile.TemporaryDirectory() as name:
        for number in range(int(races)):
            place = Path(name) / f"race{number // 50}"
            place.mkdir(exist_ok=True)
            folder_trials.race(place, number)
        print(f"{races} races: always one of the two, whole, nothing left", flush=True)
        for replacing in (False, True):
            for exchanging in (True, False):
                found = folder_trials.kill_everywhere(Path(name), replacing=replacing, exchanging=exchanging)
                how = "exchanged" if exchanging else "moved aside"
                print(f"{'replacing' if replacing else 'fresh'}, {how}: killed at each of {found} events")


if __name__ == "__main__":
    main(*sys.argv[1:])
