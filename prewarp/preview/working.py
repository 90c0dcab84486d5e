"""How much memory a film takes, told once its files are read, before its tables are made."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import prod

import numpy as np

from prewarp.content import ContentProjection
from prewarp.field import Field, FieldSet
from prewarp.frames import cosine_from_tangent
from prewarp.memory import PROGRAM_BYTES
from prewarp.preview.film import ANIMATIONS, Film
from prewarp.preview.state import ZOOMS
from prewarp.preview.views import FINE, MOST_SHRINK
from prewarp.render.live.eye_table import node_counts, pupil_degree_of
from prewarp.render.live.outlook import Outlook

# Bytes by measurement. A node of an eye's tables: traced from a pupil position; its coefficient as it is
# kept, as it is made, and as a texture.
_TRACED, _KEPT, _MADE, _DRAWN = 175.0, 80.0, 80.0, 72.0
_READ = 35e6
# A pixel of a frame of an animation, all of which are held together.
_HELD = {".png": 12.0, ".gif": 4.0}


@dataclass(frozen=True)
class _Renderer:
    """What one takes, bytes: itself, a pixel of a frame, of a panel as it is drawn, of the content picture as
    it is and as it is drawn.
    """

    own: float
    frame: float
    panel: float
    content: float
    content_drawn: float


_OPENGL = _Renderer(165e6, 16.0, 8.0, 11.0, 4.0)
_CPU = _Renderer(120e6, 90.0, 22.0, 9.0, 20.0)


def film_bytes(
    film: Film, fields: FieldSet, channels: Sequence[str], content: ContentProjection, /, *, on_cpu: bool
) -> float:
    """Return how much memory the film of an eye with these channels takes, bytes; frames in a folder.

    `on_cpu`: the CPU renderer draws, not OpenGL; without a GPU both are in the same memory. What a grid of
    luminance takes is not in it.
    """
    every = [fields.field(name, fields.colours[0]) for name in channels]
    coefficients = [float(prod(node_counts(one.panel_size_px)) * _functions(one)) for one in every]
    traced = [prod(node_counts(one.panel_size_px)) * (pupil_degree_of(one) + 2) ** 2 for one in every]
    kept = _KEPT * sum(coefficients)
    made = kept + max(_TRACED * few + _MADE * all_ for few, all_ in zip(traced, coefficients, strict=True))
    shrunk = _shrink(film, every, content) ** 2
    panels = sum(prod(one.panel_size_px) for one in every) / shrunk
    by = _CPU if on_cpu else _OPENGL
    pixels = prod(content.size_px)
    drawn = by.own + kept + by.frame * prod(film.size_px) + by.panel * panels
    drawn += pixels * (by.content + by.content_drawn / shrunk)
    if not on_cpu:
        drawn += _DRAWN * sum(coefficients)
    return PROGRAM_BYTES + max(_READ + made, drawn)


def held_bytes(film: Film, ending: str, /) -> float:
    """Return how much memory the frames of one file of a film take together, bytes; 0 for a folder."""
    return _HELD[ending] * film.frames * prod(film.size_px) if ending in ANIMATIONS else 0.0


def _functions(field: Field) -> int:
    degree = pupil_degree_of(field)
    return (degree + 1) * (degree + 2) // 2


def _shrink(film: Film, fields: Sequence[Field], content: ContentProjection) -> int:
    """Return how many times smaller panels are drawn each way, or less (`views.shrink_for`)."""
    scale = Outlook.whole(content, film.size_px).scale_px * ZOOMS[film.state.zoom]
    finest = max(map(_px_per_cosine, fields))
    shrink = 1
    while shrink < MOST_SHRINK and finest / (2 * shrink) >= FINE * scale:
        shrink *= 2
    return shrink


def _px_per_cosine(field: Field) -> float:
    """Return panel px per unit of direction cosine at the panel's middle."""
    u, v = (length / 2.0 for length in field.panel_size_px)
    pair = cosine_from_tangent(
        field.forward_lattice(np.array([u, u + 1.0]), np.array([v]), pupil_mm=np.zeros(3))
    )
    return float(1.0 / np.linalg.norm(pair[0, 1] - pair[0, 0]))
