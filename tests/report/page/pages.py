"""A page taken apart by html.parser, and small displays to make reports of: closed forms, nothing fitted."""

from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from types import SimpleNamespace

import numpy as np

from prewarp.budget import Limit, Tracker
from prewarp.content import ContentProjection
from prewarp.limits import Limits, Measured
from prewarp.module import EyeBox
from prewarp.report.page.display import Display, EyeStudy
from tests.closed_form import PlaneChannel, PlaneSet, plane_set, two_channels
from tests.eyes import closed_form_eye

# Tags that have no end tag (HTML living standard, void elements).
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
BOX = EyeBox(3.0, 2.0, 0.0)


class KnownChannel(PlaneChannel):
    """A closed-form channel; nothing was fitted, so there is no certainty of its focus."""

    expansion = SimpleNamespace(pupil_degree=0)


@dataclass(frozen=True)
class KnownSet(PlaneSet):
    """A closed-form set with the rest of the face of a `FieldSet`: it holds no reports."""

    reports: tuple = ()
    provenance: dict = field(default_factory=lambda: {"grid": "closed form"})
    pupil_box_mm: np.ndarray = field(default_factory=lambda: np.array([[-3.0, -2.0, 0.0], [3.0, 2.0, 0.0]]))


def small_display(
    *,
    name="small display",
    limits=None,
    measured=None,
    distance_m=(1.5, 1.5),
    channels=None,
    colours=("R", "G"),
    sides=("right",),
    samples=1000,
):
    """Return a display of one or two channels an eye, closed forms; both eyes look through the same ones."""
    own = two_channels(distance_m=distance_m) if channels is None else channels
    own = [KnownChannel(**vars(channel)) for channel in own]
    fields = KnownSet(plane_set(*own, colours=colours).fields)
    module = SimpleNamespace(
        limits=limits or Limits(),
        measured=measured or Measured(),
        eye_box=BOX,
        content=ContentProjection("flat", (400, 250), 80.0),
    )
    eyes = [closed_form_eye(fields, box=BOX, content=module.content) for _ in sides]
    studies = tuple(
        EyeStudy(replace(eye, side=side), Tracker(), Limit(), samples, 2)
        for eye, side in zip(eyes, sides, strict=True)
    )
    return Display(name, module, fields, studies, files=(("fit", "visor.fit.npz", "0" * 64),))


class Page(HTMLParser):
    """What a page holds: every element with its attributes and text, and whether tags are closed in order."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.open, self.wrong = [], [], []
        self.feed(text)
        self.close()
        self.wrong += [f"<{one[0]}> is not closed" for one in self.open]

    def handle_starttag(self, tag, attributes):
        names = [name for name, _ in attributes]
        if len(names) != len(set(names)):
            self.wrong.append(f"<{tag}> has an attribute twice")
        element = [tag, dict(attributes), ""]
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag, attributes):
        self.elements.append([tag, dict(attributes), ""])

    def handle_endtag(self, tag):
        if not self.open or self.open[-1][0] != tag:
            self.wrong.append(f"</{tag}> does not close <{self.open[-1][0] if self.open else ''}>")
            return
        self.open.pop()

    def handle_data(self, data):
        for element in self.open:
            element[2] += data

    def all(self, tag):
        """Return (attributes, text) of every element called `tag`."""
        return [
            (attributes, " ".join(text.split())) for name, attributes, text in self.elements if name == tag
        ]

    @property
    def text(self):
        return self.all("body")[0][1]
