"""Visibility masks: what triangles cover, held to a point test of matplotlib and to areas known by hand."""

import json
import subprocess

import numpy as np
import pytest
from matplotlib.path import Path as Outline

from prewarp.errors import PackageError
from prewarp.export.outlines import area, union
from prewarp.export.view_mask import FieldOfView, masks_c, masks_json, view_mask
from tests.support import require_tool

SQUARE = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
# What lies so near to an outline is not asked about: corners within 1e-6 are merged.
NEAR = 4e-6


def star(corners, centre, size, seed):
    """Return a simple outline that is not convex."""
    random = np.random.default_rng(seed)
    angle = np.sort(random.uniform(0.0, 2.0 * np.pi, corners))
    radius = size * random.uniform(0.4, 1.0, corners)
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1) * radius[:, None] + centre


def bar(left, down, right, up):
    return np.array([(left, down), (right, down), (right, up), (left, up)])


CASES = {
    "one, not convex": [star(40, (0.0, 0.0), 0.7, 0)],
    "clockwise": [star(40, (0.1, 0.0), 0.7, 5)[::-1]],
    "two channels that overlap": [star(40, (0.0, 0.0), 0.7, 0), star(60, (0.5, 0.2), 0.6, 1)],
    "apart": [star(30, (0.0, 0.0), 0.4, 2), star(30, (2.0, 0.2), 0.4, 3)],
    "pupils of an eye box": [star(30, (0.07 * step, 0.03 * step), 0.6, 4) for step in range(9)],
    "with a hole": [bar(0, 0, 3, 1), bar(0, 2, 3, 3), bar(0, 0, 1, 3), bar(2, 0, 3, 3)],
    "touching in a point": [SQUARE, SQUARE + 1.0],
    "side by side": [SQUARE, SQUARE + [1.0, 0.0]],
    "the same twice": [SQUARE, SQUARE],
    "one inside another": [3.0 * SQUARE, SQUARE + 1.0],
    "nearly level sides": [bar(0, 0, 1, 1) + [[0, 0], [0, 2e-6], [0, 3e-6], [0, 0]], bar(0.5, 5e-7, 2, 1)],
}


def signed_areas(mask, triangles):
    a, b, c = (mask.vertices[triangles[:, place]] for place in range(3))
    first, second = b - a, c - a
    return 0.5 * (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0])


def inside_triangles(mask, triangles, points):
    """Return in how many triangles each point lies."""
    count = np.zeros(len(points), dtype=int)
    for corners in mask.vertices[triangles]:
        sides = np.roll(corners, -1, axis=0) - corners
        away = points[:, None] - corners
        count += (sides[:, 0] * away[..., 1] - sides[:, 1] * away[..., 0] > 0.0).all(axis=1)
    return count


def distance_to_outlines(points, outlines):
    nearest = np.full(len(points), np.inf)
    for outline in outlines:
        for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
            share = np.clip((points - a) @ (b - a) / max((b - a) @ (b - a), 1e-300), 0.0, 1.0)
            nearest = np.minimum(nearest, np.linalg.norm(points - a - share[:, None] * (b - a), axis=1))
    return nearest


@pytest.mark.outside
@pytest.mark.parametrize("name", CASES)
def test_visible_is_what_a_point_test_finds_and_hidden_the_rest(name):
    outlines = CASES[name]
    mask = view_mask(outlines)
    view = mask.field_of_view
    random = np.random.default_rng(7)
    points = random.uniform((view.left, view.down), (view.right, view.up), (4000, 2))
    # Off the sides of triangles as well: a point on one belongs to neither.
    points = points[distance_to_outlines(points, outlines) > NEAR]
    expected = np.any([Outline(outline).contains_points(points) for outline in outlines], axis=0)
    seen = inside_triangles(mask, mask.visible, points)
    dark = inside_triangles(mask, mask.hidden, points)
    assert expected.sum() > 0
    # One triangle each: nothing is left out, nothing is covered twice.
    np.testing.assert_array_equal(seen, expected.astype(int))
    np.testing.assert_array_equal(dark, (~expected).astype(int))


@pytest.mark.parametrize("name", CASES)
def test_triangles_run_counter_clockwise_and_fill_the_view(name):
    mask = view_mask(CASES[name])
    view = mask.field_of_view
    visible, hidden = (signed_areas(mask, triangles) for triangles in (mask.visible, mask.hidden))
    assert visible.min() > 0.0 and (not len(hidden) or hidden.min() > 0.0)
    whole = (view.right - view.left) * (view.up - view.down)
    assert visible.sum() + hidden.sum() == pytest.approx(whole, rel=1e-6)
    assert visible.sum() == pytest.approx(sum(area(one) for one in union(CASES[name])), rel=1e-5)
    np.testing.assert_array_equal(mask.vertices, mask.vertices.astype(np.float32))
    low, high = (getattr(np.concatenate(CASES[name]), end)(axis=0) for end in ("min", "max"))
    np.testing.assert_allclose([view.left, view.down, view.right, view.up], [*low, *high], atol=NEAR)


@pytest.mark.parametrize("name", CASES)
def test_triangles_share_whole_sides(name):
    """Each side belongs to one triangle on either hand, or lies on the border of the view: no cracks."""
    mask = view_mask(CASES[name])
    every = np.concatenate([mask.visible, mask.hidden])
    sides = np.concatenate([every[:, [0, 1]], every[:, [1, 2]], every[:, [2, 0]]])
    there = set(map(tuple, sides.tolist()))
    assert len(there) == len(sides)
    view = mask.field_of_view
    for a, b in there:
        if (b, a) not in there:
            x, y = mask.vertices[[a, b]].T
            on_border = [
                np.abs(x - view.left),
                np.abs(x - view.right),
                np.abs(y - view.up),
                np.abs(y - view.down),
            ]
            assert min(away.max() for away in on_border) < 1e-6


@pytest.mark.parametrize("name", CASES)
def test_the_loop_is_one_and_goes_around_all_that_is_visible(name):
    mask = view_mask(CASES[name])
    loop = mask.vertices[mask.loop]
    assert len(set(mask.loop.tolist())) == len(mask.loop) and area(loop) > 0.0
    assert mask.loop_is_hull == (name in ("apart", "touching in a point"))
    middle = mask.vertices[mask.visible].mean(axis=1)
    middle = middle[distance_to_outlines(middle, [loop]) > NEAR]
    assert Outline(loop).contains_points(middle).all()


def even_odd(outline, points):
    """Return which points a ray to the left leaves by an odd number of sides."""
    inside = np.zeros(len(points), dtype=bool)
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        if a[1] != b[1]:
            x = a[0] + (points[:, 1] - a[1]) * (b[0] - a[0]) / (b[1] - a[1])
            inside ^= ((a[1] > points[:, 1]) != (b[1] > points[:, 1])) & (points[:, 0] < x)
    return inside


@pytest.mark.parametrize("seed", range(60))
def test_outlines_that_cross_coincide_and_touch(seed):
    """Corners on a coarse lattice share points and sides; those off by 1e-6 nearly do; others cross."""
    random = np.random.default_rng(seed)
    outlines = [SQUARE]
    for _ in range(random.integers(1, 6)):
        corners = random.integers(0, 5, (random.integers(3, 12), 2)).astype(float)
        shake = (0.0, 1e-6, 1.0)[seed % 3]
        outlines.append(corners + shake * random.normal(size=corners.shape))
    mask = view_mask(outlines)
    view = mask.field_of_view
    points = random.uniform((view.left, view.down), (view.right, view.up), (600, 2))
    points = points[distance_to_outlines(points, outlines) > 2e-5]
    expected = np.any([even_odd(outline, points) for outline in outlines], axis=0)
    np.testing.assert_array_equal(inside_triangles(mask, mask.visible, points), expected)
    np.testing.assert_array_equal(inside_triangles(mask, mask.hidden, points), ~expected)
    every = np.concatenate([mask.visible, mask.hidden])
    assert signed_areas(mask, every).min() > 0.0
    sides = np.concatenate([every[:, [0, 1]], every[:, [1, 2]], every[:, [2, 0]]])
    assert len(np.unique(sides, axis=0)) == len(sides)


def test_areas_known_by_hand():
    ring = view_mask(CASES["with a hole"])
    assert signed_areas(ring, ring.visible).sum() == pytest.approx(8.0)
    assert signed_areas(ring, ring.hidden).sum() == pytest.approx(1.0)
    assert sorted(area(one) for one in union(CASES["with a hole"])) == pytest.approx([-1.0, 9.0])
    assert len(ring.loop) == 4
    two = view_mask(CASES["side by side"])
    assert sorted(map(tuple, two.vertices[two.loop].tolist())) == [(0, 0), (0, 1), (2, 0), (2, 1)]
    assert len(two.hidden) == 0


def test_the_view_may_be_wider_and_not_narrower():
    view = FieldOfView(left=-1.0, right=2.0, up=1.0, down=-0.5)
    mask = view_mask([SQUARE], field_of_view=view)
    assert signed_areas(mask, mask.hidden).sum() == pytest.approx(4.5 - 1.0)
    angles = mask.as_dict()["field_of_view"]
    assert angles["angleLeft_rad"] == pytest.approx(-np.pi / 4) and angles["angleUp_rad"] == pytest.approx(
        np.pi / 4
    )
    assert angles["angleDown_rad"] < 0.0 < angles["angleRight_rad"]
    with pytest.raises(PackageError, match="beyond the field of view"):
        view_mask([SQUARE], field_of_view=FieldOfView(-1.0, 0.5, 1.0, 0.0))


@pytest.mark.parametrize(
    ("outlines", "message"),
    [
        ([], "no outlines"),
        ([SQUARE[:2]], "3 or more corners"),
        ([SQUARE, SQUARE * np.nan], "outline 1 has shape"),
        ([SQUARE * 100.0], "expected at most 30"),
        ([np.array([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)])], "enclose no area"),
        ([np.zeros((30_000, 2))], "at most 20000"),
    ],
)
def test_what_cannot_be_masked_is_told(outlines, message):
    with pytest.raises(PackageError, match=message):
        view_mask(outlines)


def test_json_holds_the_mask():
    mask = view_mask(CASES["two channels that overlap"])
    found = json.loads(masks_json({"right, eye box": mask}))
    one = found["masks"]["right, eye box"]
    assert found["winding"] == "counter-clockwise" and "z = -1" in found["frame"]
    np.testing.assert_array_equal(one["vertices"], mask.vertices)
    np.testing.assert_array_equal(one["visible_triangles"], mask.visible)
    np.testing.assert_array_equal(one["line_loop"], mask.loop)
    assert one["line_loop_is_hull"] is False


def test_c_compiles_and_holds_the_same_numbers(tmp_path):
    mask, square = view_mask(CASES["two channels that overlap"]), view_mask([SQUARE])
    (tmp_path / "masks.h").write_text(masks_c({"box": mask, "square": square}), encoding="utf-8")
    (tmp_path / "main.c").write_text(
        """#include <stdio.h>
#include "masks.h"
int main(void) {
    int i, n = (int)(sizeof prewarp_view_box_vertices / sizeof *prewarp_view_box_vertices);
    for (i = 0; i < n; i++)
        printf("%.9g %.9g\\n", prewarp_view_box_vertices[i][0], prewarp_view_box_vertices[i][1]);
    for (i = 0; i < prewarp_view_box_visible_count; i++)
        printf("%d 0\\n", prewarp_view_box_visible[i]);
    printf("%.9g %.9g\\n", prewarp_view_box_fov_rad[0], prewarp_view_square_fov_rad[2]);
    return prewarp_view_square_hidden_count + prewarp_view_box_hidden[0] * 0
        + prewarp_view_box_loop[0] * 0 + prewarp_view_box_loop_count * 0
        + prewarp_view_box_hidden_count * 0 + prewarp_view_square_visible[0] * 0
        + prewarp_view_square_loop[0] * 0 + (int)prewarp_view_square_vertices[0][0] * 0;
}
""",
        encoding="utf-8",
    )
    program = tmp_path / "main"
    subprocess.run(
        [
            require_tool("gcc"),
            "-std=c99",
            "-pedantic",
            "-Wall",
            "-Wextra",
            "-Werror",
            tmp_path / "main.c",
            "-o",
            program,
        ],
        check=True,
    )
    told = subprocess.run([program], check=True, capture_output=True, text=True).stdout
    numbers = np.array([line.split() for line in told.splitlines()], dtype=float)
    count = len(mask.vertices)
    np.testing.assert_array_equal(numbers[:count].astype(np.float32), mask.vertices.astype(np.float32))
    np.testing.assert_array_equal(numbers[count:-1, 0], mask.visible.reshape(-1))
    assert numbers[-1] == pytest.approx([np.arctan(mask.field_of_view.left), np.pi / 4], rel=1e-6)


def test_names_that_are_one_in_c_are_refused():
    mask = view_mask([SQUARE])
    with pytest.raises(PackageError, match="'a b' and 'a-b' are both prewarp_view_a_b"):
        masks_c({"a b": mask, "a-b": mask})
