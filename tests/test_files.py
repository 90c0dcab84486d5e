"""Arrays in files, and names of files."""

import io
import zipfile

import numpy as np

from prewarp.files import file_stem, file_stems, npz_bytes


def test_arrays_are_stored_without_the_time_of_day():
    """The same arrays give the same bytes tomorrow."""
    with zipfile.ZipFile(io.BytesIO(npz_bytes({"a": np.zeros(3)}))) as archive:
        (entry,) = archive.infolist()
    assert entry.date_time == (1980, 1, 1, 0, 0, 0)


def test_names_become_parts_of_file_names():
    assert file_stem("inner-2_G") == "inner-2_G"
    assert file_stem("../in ner:\u00e9") == "___in_ner__" and len(file_stem("x" * 100)) == 40


def test_no_two_names_become_one_file():
    names = ["in ner", "in:ner", "IN_NER", "\u5185", "\u5916", "in_ner-2", "y" * 41, "y" * 42]
    stems = file_stems(names)
    assert list(stems) == names and stems["in ner"] == "in_ner"
    assert len({stem.lower() for stem in stems.values()}) == len(names)
    assert all(stem.replace("-", "").replace("_", "").isalnum() or set(stem) <= set("_-0123456789")
               for stem in stems.values())  # fmt: skip
