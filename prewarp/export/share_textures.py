"""The texture that all panels of an eye read their shares of light from, for one pupil position.

Over the content picture: claims of every channel (`prewarp.seam.claims`) and how far inside what each shows a
direction lies, degrees. A shader reads it where it reads the content, and forms the share in every pixel;
since all panels read the same texels, what lies between texels is the same for all of them, and shares add up
to 1 however wide texels are.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import distance_transform_cdt

from prewarp.checks import BoolArray, FloatArray
from prewarp.content import ContentProjection
from prewarp.errors import PackageError
from prewarp.seam import Seam

# Distance between texels, degrees in the middle of the picture: claims have nodes a degree apart.
STEP_DEG = 0.25
MOST_TEXELS = 1024
MOST_CHANNELS = 4
# Degrees inside or outside beyond which it does not matter how far.
_FARTHEST_DEG = 2.0
SHARES, DEPTHS = "t_shares", "t_depths"
# Where a channel is alone: so far inside what is lit, others claiming no more.
_ALONE_DEG, _SETTLED = 0.5, 5e-4


def kind_of_shares(channels: int, /) -> int:
    """Return `PREWARP_SHARED`: 0 one channel, 1 two, in one texture, 2 up to four, in two.

    Raises
    ------
    PackageError
        More channels than textures hold.
    """
    if channels > MOST_CHANNELS:
        raise PackageError(
            f"{channels} channels; shaders blend at most {MOST_CHANNELS}. "
            "Ask for other formats, and form weights by the C evaluator."
        )
    return 0 if channels < 2 else 1 if channels == 2 else 2


def farthest_deg(edge_deg: float, /) -> float:
    """Return where degrees inside or outside are cut; `edge_deg`: over which light fades at the rim."""
    return max(_FARTHEST_DEG, 1.1 * edge_deg)


def texel_count(content: ContentProjection, /) -> tuple[int, int]:
    """Return columns and rows of the texture."""
    per_deg = content.focal_px * np.pi / 180.0
    width, height = (
        int(np.clip(np.ceil(size / per_deg / STEP_DEG), 4, MOST_TEXELS)) for size in content.size_px
    )
    return width, height


def texel_directions(content: ContentProjection, /) -> FloatArray:
    """Return the directions (rows, columns, 2) of texel centres, tangents."""
    columns, rows = texel_count(content)
    width, height = content.size_px
    u = (np.arange(columns) + 0.5) * (width / columns)
    v = (np.arange(rows) + 0.5) * (height / rows)
    return content.tangent_from_pixel(np.stack(np.meshgrid(u, v), axis=-1))


@dataclass(frozen=True, eq=False)
class ShareMap:
    """Makes the texture of an eye, `seam`, over its `content` picture, for any pupil position.

    Raises
    ------
    PackageError
        More channels than textures hold.
    """

    seam: Seam
    content: ContentProjection

    def __post_init__(self) -> None:
        kind_of_shares(len(self.seam.channels))

    @cached_property
    def _directions(self) -> FloatArray:
        return texel_directions(self.content)

    @cached_property
    def _claims(self) -> FloatArray:
        return np.nan_to_num(self.seam.claims.at(self._directions))

    def textures(self, pupil_mm: FloatArray, /) -> dict[str, FloatArray]:
        """Return the texels (rows, columns, 4) by sampler, channels in the order of the seam."""
        seam, claims = self.seam.at(pupil_mm), self._claims
        most = farthest_deg(seam.edge_deg)
        depths = np.clip(np.nan_to_num(seam.depth_deg(self._directions), nan=-most), -most, most)
        if kind_of_shares(len(claims)) == 1:
            return {SHARES: np.moveaxis(np.concatenate([claims, depths]), 0, -1)}
        missing = MOST_CHANNELS - len(claims)
        none = np.zeros((missing, *claims.shape[1:]))
        return {
            SHARES: np.moveaxis(np.concatenate([claims, none]), 0, -1),
            DEPTHS: np.moveaxis(np.concatenate([depths, none - most]), 0, -1),
        }

    def alone_px(self, box_mm: FloatArray, /) -> dict[str, FloatArray]:
        """Return a rectangle of content px for each channel, (2, 2): lowest and highest u, v; of no size
        where there is none.

        In it the channel is lit, `_ALONE_DEG` or more inside, from every corner and the middle of the eye box
        `box_mm` (2, 3), and no other claims more than `_SETTLED`: shaders need no texture there. It grows
        from the place that is furthest inside, and need not be the largest.
        """
        claims, inside = self._claims, max(_ALONE_DEG, self.seam.edge_deg)
        good = claims >= 1.0 - _SETTLED
        for own in range(len(claims)):
            good[own] &= np.delete(claims, own, axis=0).max(axis=0, initial=0.0) <= _SETTLED
        corners = [box_mm[list(place), range(3)] for place in np.ndindex(2, 2, 2)]
        for pupil in (np.mean(box_mm, axis=0), *corners):
            good &= np.nan_to_num(self.seam.at(pupil).depth_deg(self._directions), nan=-1.0) > inside
        return {name: self._rectangle(one) for name, one in zip(self.seam.channels, good, strict=True)}

    def _rectangle(self, good: BoolArray) -> FloatArray:
        # Texels of the rim are read half outside.
        (left, right), (top, bottom) = _grown(np.pad(good, 1))
        rows, columns = good.shape
        per = np.array(self.content.size_px) / [columns, rows]
        return np.asarray(np.array([[left - 0.5, top - 0.5], [right - 1.5, bottom - 1.5]]) * per)


def _grown(good: BoolArray) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return columns and rows (first, one past the last) of a rectangle of True; of no size where none is."""
    distance = distance_transform_cdt(good, metric="chessboard")
    row, column = np.unravel_index(int(np.argmax(distance)), good.shape)
    reach = int(distance[row, column]) - 1
    if reach < 1:
        return (1, 1), (1, 1)
    left, right, top, bottom = column - reach, column + reach + 1, row - reach, row + reach + 1
    grew = True
    while grew:
        grew = False
        if good[top:bottom, left - 1].all():
            left, grew = left - 1, True
        if good[top:bottom, right].all():
            right, grew = right + 1, True
        if good[top - 1, left:right].all():
            top, grew = top - 1, True
        if good[bottom, left:right].all():
            bottom, grew = bottom + 1, True
    return (int(left), int(right)), (int(top), int(bottom))
