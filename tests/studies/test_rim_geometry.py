"""The map of a drying wedge of log, by a second route, by hand, and at its limits."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

import woodlab as wl
from woodlab.studies.movement.rim_geometry import carry, strains_from_rim

strains = st.floats(-3, 14)
faces = st.sampled_from(["pith", "bark"])


@given(st.floats(5, 400), st.floats(-1.5, 1.5), strains, strains)
def test_local_strains_are_radial_and_tangential_everywhere(radius, angle, radial, tangential):
    # The map's metric by central differences: what a short fibre along the radius and one around
    # it become. Second route; 1e-6 as the map is exact.
    step = 1e-3

    def at(r, a):
        return np.array(carry(r * np.sin(a), r * np.cos(a), radial, tangential))

    out = (at(radius + step, angle) - at(radius - step, angle)) / (2 * step)
    turn = step / radius
    around = (at(radius, angle + turn) - at(radius, angle - turn)) / (2 * step)
    assert np.linalg.norm(out) == pytest.approx(1 - radial / 100, abs=1e-6)
    assert np.linalg.norm(around) == pytest.approx(1 - tangential / 100, abs=1e-6)
    assert out @ around == pytest.approx(0, abs=1e-6)  # and no shear


@given(st.floats(0, 400), st.floats(-3, 3), strains, strains)
def test_carrying_back_undoes_carrying(radius, angle, radial, tangential):
    # a wedge: carried past half a turn, an angle comes back as its other self
    assume(abs(angle) * (1 - tangential / 100) / (1 - radial / 100) < 3.1)
    x, y = radius * np.sin(angle), radius * np.cos(angle)
    back = carry(*carry(x, y, radial, tangential), radial, tangential, way=-1)
    np.testing.assert_allclose(back, (x, y), atol=1e-9)


@given(st.floats(10, 300), strains)
def test_a_ring_with_equal_shrinkages_shrinks_to_a_circle(radius, both):
    turn = np.linspace(-np.pi, np.pi, 50)
    x, y = carry(radius * np.sin(turn), radius * np.cos(turn), both, both)
    np.testing.assert_allclose(np.hypot(x, y), radius * (1 - both / 100))
    np.testing.assert_allclose(np.arctan2(x, y)[1:-1], turn[1:-1], atol=1e-9)


@given(st.floats(50, 600), st.floats(1, 300), faces, strains)
def test_with_equal_shrinkages_no_rim_rises(rim, pith, facing, both):
    dry = wl.dried_rim(rim, pith, facing, both, both)
    assert dry.across_mm == pytest.approx(rim * (1 - both / 100))
    assert dry.rise_mm == pytest.approx(0, abs=1e-9)
    whole = wl.dried_rim(rim, pith, facing, both, both, longitudinal_pct=both)
    assert whole.ovality_pct == pytest.approx(0, abs=1e-9)  # then even the rim stays a circle


def test_a_rim_by_hand():
    # 300 mm, log halved through the pith, 4 % and 8 %: the quarter turn becomes
    # 0.92/0.96 x 90 = 86.25 degrees, its radius 150 x 0.96 = 144;
    # sin 86.25 = 0.9978589, cos 86.25 = 0.0654031.
    dry = wl.dried_rim(300, 0, "pith", 4, 8)
    assert dry.along_mm == 300
    assert dry.across_mm == pytest.approx(2 * 144 * 0.9978589, abs=1e-4)
    assert dry.rise_mm == pytest.approx(144 * 0.0654031, abs=1e-4)
    # the same 150 mm out from the pith: radius 150 sqrt 2 x 0.96 = 203.64675, angle 43.125;
    # sin = 0.6835918, cos = 0.7298645
    dry = wl.dried_rim(300, 150, "bark", 4, 8)
    assert dry.across_mm == pytest.approx(2 * 203.64675 * 0.6835918, abs=1e-3)
    assert dry.rise_mm == pytest.approx(-(203.64675 * 0.7298645 - 144), abs=1e-3)


@given(st.floats(50, 500), st.floats(0, 300), faces, st.floats(0.5, 1), st.floats(0.5, 1))
def test_small_strain_limits(rim, pith, facing, radial, tangential):
    # by hand: across = D (1 - e_r) - 2 (e_t - e_r) p arctan(R/p),
    #          rise = +-(e_t - e_r) R arctan(R/p), errors of second order in the strains
    if facing == "bark":
        pith += 1
    small = 1e-4
    dry = wl.dried_rim(rim, pith, facing, radial * small, tangential * small)
    e_r, e_t = radial * small / 100, tangential * small / 100
    angle = np.arctan2(rim / 2, pith)
    across = rim * (1 - e_r) - 2 * (e_t - e_r) * pith * angle
    rise = (1 if facing == "pith" else -1) * (e_t - e_r) * rim / 2 * angle
    assert dry.across_mm == pytest.approx(across, abs=rim * 1e-11)
    assert dry.rise_mm == pytest.approx(rise, abs=rim * 1e-11)


def test_flat_and_quarter_sawn_limits():
    # far from the pith the sides lie along the rings: all tangential; at the pith all radial
    far = wl.dried_rim(300, 1e6, "bark", 3, 7)
    assert far.across_mm == pytest.approx(300 * 0.93, abs=1e-3)
    assert far.rise_mm == pytest.approx(0, abs=1e-2)
    near = wl.dried_rim(300, 0, "pith", 3, 7)
    assert 300 * (1 - 0.03) - near.across_mm == pytest.approx(0, abs=0.7)
    assert near.across_mm < 300 * 0.97


@given(st.floats(80, 500), st.floats(1, 250), st.floats(1, 6), st.floats(0.5, 8))
def test_the_pith_line_comes_up_on_a_rim_that_faces_the_pith(rim, pith, radial, more):
    # common practice, no source: rim to the pith, the ends along the grain come up and the sides
    # go down; rim to the bark, the sides come up
    toward = wl.dried_rim(rim, pith, "pith", radial, radial + more)
    away = wl.dried_rim(rim, pith, "bark", radial, radial + more)
    assert toward.rise_mm > 0 > away.rise_mm
    assert toward.rise_mm == pytest.approx(-away.rise_mm)
    assert toward.across_mm == away.across_mm < toward.along_mm


@given(st.floats(50, 500), st.floats(0.5, 300), faces, st.floats(-2, 9), st.floats(-2, 14))
def test_a_measured_rim_tells_its_shrinkages(rim, pith, facing, radial, tangential):
    dry = wl.dried_rim(rim, pith, facing, radial, tangential)
    found = strains_from_rim(rim, pith, facing, dry.across_mm, dry.rise_mm)
    assert found[0] == pytest.approx(radial, abs=1e-6)
    assert found[1] == pytest.approx(tangential, abs=1e-6)


def test_arrays_broadcast_and_nothing_is_altered():
    rims, piths = np.array([200.0, 300.0, np.nan]), np.array([[10.0], [80.0]])
    dry = wl.dried_rim(rims, piths, ["pith", "bark", "pith"], 4.0, 8.0)
    assert dry.across_mm.shape == dry.along_mm.shape == dry.rise_mm.shape == (2, 3)
    assert dry.rise_mm[1, 1] == wl.dried_rim(300, 80, "bark", 4, 8).rise_mm
    assert dry["across_mm"][0, 0] == wl.dried_rim(200, 10, "pith", 4, 8).across_mm
    assert np.isnan(dry.across_mm[:, 2]).all()
    assert rims.tolist()[:2] == [200, 300]
    assert len(dry.frame) == 6


def test_shrinkage_along_the_grain_counts_when_given():
    assert wl.dried_rim(300, 20, "pith", 4, 8, 0.2).along_mm == pytest.approx(299.4)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ((300, -5, "pith", 4, 8), r"pith_mm must be zero or more \(found -5\)"),
        ((300, [10, -5], "pith", 4, 8), "the pith would lie in the wood"),
        ((300, 0, "bark", 4, 8), r"\(found 0\), and above zero where the rim faces the bark"),
        ((300, 10, "north", 4, 8), "rim_faces must be 'pith' or 'bark' \\(found 'north'\\)"),
        ((0, 10, "pith", 4, 8), "rim_mm must be above zero"),
        ((300, 10, "pith", 96, 8), "radial_pct must be between -50 and 50"),
    ],
)
def test_what_cannot_be_is_refused_in_words(call, message):
    with pytest.raises(wl.WoodlabError, match=message):
        wl.dried_rim(*call)
