"""The bowl as a solid: distances by brute force, walls and sections of the dried one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import woodlab as wl
from woodlab.studies.movement.bowl_shape import Bowl, dried_bowl, ellipse_distance

BOWL = Bowl(300, 120, 25, 110, "pith", 15)


@given(st.floats(20, 300), st.floats(0.15, 6), st.floats(0, 0.999), st.floats(0, 0.999))
@settings(max_examples=60)
def test_distance_to_an_ellipse_is_the_least_over_its_points(half, shape, part, up):
    # second route: the least of the distances to 100,001 points of the ellipse
    drop = half * shape
    x, y = half * part * np.sqrt(1 - up**2), drop * up
    turn = np.linspace(0, np.pi / 2, 100_001)
    brute = np.hypot(x - half * np.cos(turn), y - drop * np.sin(turn)).min()
    spacing = max(half, drop) * turn[1]
    ours = float(ellipse_distance(x, y, half, drop))
    assert brute - spacing <= ours <= brute + 1e-9


@given(st.floats(0.1, 1), st.floats(0.1, 0.9), st.floats(0, 0.999))
@settings(max_examples=60)
def test_the_hollow_begins_one_wall_from_the_outside(foot, height, part):
    bowl = Bowl(300, 300 * height, 12, 300 * foot)
    depth = part * (bowl.height_mm - bowl.wall_mm - 0.5)
    radius = bowl.inner_radius(np.array([depth]))
    if radius[0] > 0:
        assert bowl.cover(radius, depth) == pytest.approx(bowl.wall_mm, abs=1e-4)
        assert bowl.holds(radius + 0.01, 0, depth)
        assert not bowl.holds(radius - 0.01, 0, depth)


def test_rim_and_foot_have_their_diameters():
    assert BOWL.outer_radius([0, 120]) == pytest.approx([150, 55])
    assert BOWL.inner_radius(np.array([0.0]))[0] == pytest.approx(125, abs=1e-3)
    # straight sides when the foot is as wide as the rim
    assert Bowl(200, 80, 10, 200).outer_radius([0, 40, 80]) == pytest.approx([100] * 3, abs=0.01)


def test_rim_of_the_dried_bowl_is_the_dried_rim():
    dry = dried_bowl(BOWL, 4.0, 8.0, 0.1)
    assert dry.rim == wl.dried_rim(300, 15, "pith", 4, 8, 0.1)
    outline = dry.outline().query("state == 'dried'")
    assert outline["across_mm"].max() * 2 == pytest.approx(dry.rim.across_mm)
    assert outline["along_mm"].max() * 2 == pytest.approx(dry.rim.along_mm)


@pytest.mark.parametrize(("faces", "pith"), [("pith", 15), ("bark", 140)])
def test_rise_shows_in_the_section_and_the_bowl_stands_on_the_bench(faces, pith):
    dry = dried_bowl(Bowl(300, 120, 25, 110, faces, pith), 4.0, 8.0)
    section = dry.section().query("state == 'dried'")
    top = section[section["order"] == 0].set_index("cut")["height_mm"]  # outer edge of the rim
    rise = top["along the grain"] - top["across the grain"]
    assert rise == pytest.approx(dry.rim.rise_mm, abs=1e-6)
    assert section["height_mm"].min() == pytest.approx(0, abs=0.02)


def test_exaggeration_multiplies_the_movement_only():
    dry = dried_bowl(BOWL, 4.0, 8.0)
    once, fivefold = (
        dry.outline(exaggerate=e).query("state == 'dried'")["across_mm"].max() for e in (1, 5)
    )
    assert 150 - fivefold == pytest.approx(5 * (150 - once))


def test_thickest_round_wall_at_the_rim():
    # nothing moved: all of it is left; shrunk evenly in all directions: all of it, smaller
    assert dried_bowl(BOWL, 0.0, 0.0).round_wall_mm() == pytest.approx(25, abs=1e-3)
    assert dried_bowl(BOWL, 6.0, 6.0, 6.0).round_wall_mm() == pytest.approx(23.5, abs=1e-3)
    # far from the pith the rim stays flat and turns into an ellipse: by hand
    # across outside 150 x 0.92, along inside 125
    far = dried_bowl(Bowl(300, 120, 25, 110, "bark", 50_000), 4.0, 8.0)
    assert far.round_wall_mm() == pytest.approx(150 * 0.92 - 125, abs=0.05)


def test_dried_and_green_points_are_the_same_wood():
    rng = np.random.default_rng(3)
    x, z = rng.uniform(-150, 150, (2, 400))
    depth = rng.uniform(-5, 125, 400)
    dry = dried_bowl(BOWL, 4.0, 8.0, 0.1)
    back = dry.carried(*dry.carried(x, z, depth), way=-1)
    np.testing.assert_allclose(back, (x, z, depth), atol=1e-9)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ((300, 120, 0, 110), "wall_mm must be above zero"),
        ((300, np.nan, 20, 110), "height_mm must be above zero"),
        ((300, 120, 20, 310), r"foot_mm \(310\) is wider than rim_mm \(300\)"),
        ((300, 120, 20, 110, "bark", 100), "the pith would lie in the wood"),
        ((300, 120, 20, 110, "pith", -1), "pith_mm must be zero or more"),
    ],
)
def test_bowls_that_cannot_be_are_refused(call, message):
    with pytest.raises(wl.WoodlabError, match=message):
        Bowl(*call)
