"""The promise of `rough_wall`: a round finished bowl lies wholly inside the dried rough one."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import woodlab as wl
from woodlab.studies.movement.bowl_shape import Bowl, dried_bowl
from woodlab.studies.movement.least_rough import least_rough
from woodlab.studies.movement.rim_geometry import carry
from woodlab.studies.movement.rough_wall import WallMargin, rough_wall
from woodlab.studies.movement.walls import wall_window

BOWLS, TREES = 700, 3  # tests/bench/bench_rough_wall.py does more


def flat_level(rough, rim_mm, radial, tangential):
    """Depth at which the dried rim plane has become flat over the finished rim; forward map."""
    x = np.linspace(0, rough.rim_mm / 2, 2001)
    across, y = carry(x, rough.pith_mm, radial, tangential)
    depth = rough.faces * (y - rough.pith_mm)
    return max(depth[across <= rim_mm / 2].max(), np.interp(rim_mm / 2, across, depth))


def surface_points(finished, rng, n=120):
    """Random points (x, z, depth) of the finished outside, inside and foot, many at their ends."""
    part = np.clip(rng.uniform(-0.1, 1.1, n), 0, 1) ** rng.choice([1, 3])  # crowded at the rim
    hollow = finished.height_mm - finished.wall_mm
    outer, inner = part * finished.height_mm, part * hollow
    floor = finished.inner_radius(np.array([hollow]))
    spots = [
        (finished.outer_radius(outer), outer),
        (finished.inner_radius(inner), inner),
        (rng.uniform(0, finished.foot_mm / 2, n), np.full(n, finished.height_mm)),
        (np.sqrt(rng.uniform(0, 1, n)) * floor, np.full(n, hollow)),
    ]
    radius, depth = (np.concatenate(part) for part in zip(*spots, strict=True))
    turn = np.pi / 2 * np.clip(rng.uniform(-0.2, 1.2, len(radius)), 0, 1)
    return radius * np.cos(turn), radius * np.sin(turn), depth


def sticking_out_mm(rough, finished, tree, points):
    """By how much finished points leave the rough bowl's wood (0 or less: all inside).

    They are carried back to the green wood and held against the rough bowl there.
    """
    radial, tangential, along = tree
    x, z, depth = points
    level = flat_level(rough, finished.rim_mm, radial, tangential)
    x, y = carry(x, rough.from_pith(level + depth), radial, tangential, way=-1)
    radius = np.hypot(x, z / (1 - along / 100))
    depth = rough.faces * (y - rough.pith_mm)
    inside = np.clip(depth, 0, rough.height_mm)
    edge = rough.outer_radius(inside)
    return max(
        (-depth).max() - 1e-5,  # the level above is found to about this
        (depth - rough.height_mm).max(),
        (radius - edge).max(),
        (rough.cover(np.minimum(radius, edge), inside) - rough.wall_mm).max(),
    )


def random_case(rng):
    rim = rng.uniform(80, 500)
    height = rim * rng.uniform(0.12, 0.9)
    wall = rng.uniform(3, min(25, height / 2.5, rim / 6))
    finished = Bowl(rim, height, wall, rim * rng.uniform(0.2, 1))
    margin = WallMargin(
        dry_moisture_pct=rng.uniform(4, 14), scatter_cv_pct=rng.choice([0, rng.uniform(0, 20)])
    )
    totals = (rng.uniform(2, 9), rng.uniform(3, 14))
    strains = margin.strains(totals, rng.uniform(20, 80), margin.dry_moisture_pct)
    faces = str(rng.choice(["pith", "bark"]))
    pith = rng.uniform(0, 200) + (1.6 * height if faces == "bark" else 0)
    return finished, strains, faces, None if rng.random() < 0.5 else pith


def test_the_promised_bowl_lies_wholly_inside_the_dried_one():
    rng = np.random.default_rng(20260307)
    worst = []
    for _ in range(BOWLS):
        finished, strains, faces, pith = random_case(rng)
        rough = least_rough(finished, strains, faces, pith)
        points = surface_points(finished, rng)
        lower, upper = strains.loc["lower"].to_numpy(), strains.loc["upper"].to_numpy()
        shares = [rng.integers(0, 2, 3), *rng.uniform(0, 1, (TREES - 1, 3))]  # a corner, between
        for share in shares:
            tree = lower + share * (upper - lower)
            worst.append(sticking_out_mm(rough, finished, tree, points))
    assert len(worst) == BOWLS * TREES
    assert max(worst) <= 0
    # and it is no vain promise: some of the corners touch, within the rounding up of the sizes
    assert max(worst) > -0.2


def test_a_thinner_wall_would_break_the_promise():
    rng = np.random.default_rng(5)
    for _ in range(40):
        finished, strains, faces, pith = random_case(rng)
        rough = least_rough(finished, strains, faces, pith)
        thinner = replace(rough, wall_mm=rough.wall_mm - 0.7)
        corners = [(a, b) for a in (0, 1) for b in (0, 1)]
        lower, upper = strains.loc["lower"].to_numpy(), strains.loc["upper"].to_numpy()
        trees = [lower + np.array([a, b, 0]) * (upper - lower) for a, b in corners]
        points = surface_points(finished, rng, 800)
        assert max(sticking_out_mm(thinner, finished, tree, points) for tree in trees) > 0


def test_no_other_rough_bowl_does_with_a_thinner_wall():
    # second route: random rims and feet about the answer, the wall each of them needs
    rng = np.random.default_rng(8)
    answer = wl.rough_wall("sugar maple", 250, 100, 8, rim_faces="bark")
    finished, strains = answer.finished, answer.strains
    ends = strains.loc[["lower", "upper"]].to_numpy()
    trees = [np.array([ends[a, 0], ends[b, 1], ends[c, 2]]) for a, b, c in np.ndindex(2, 2, 2)]
    points = surface_points(finished, rng, 200)
    found = 0
    for _ in range(60):
        rim = answer.rough.rim_mm * rng.uniform(0.97, 1.04)
        foot = answer.rough.foot_mm * rng.uniform(0.9, 1.15)
        other = replace(answer.rough, rim_mm=rim, foot_mm=foot, wall_mm=answer.wall_mm - 0.5)
        out = max(sticking_out_mm(other, finished, tree, points) for tree in trees)
        found += out <= 0
    assert found == 0


def test_forward_route_the_dried_hollow_and_outside_stay_clear_of_the_finished_wood():
    rng = np.random.default_rng(11)
    answer = wl.rough_wall("American beech", 320, 130, 10, rim_faces="pith", pith_mm=20)
    rough, finished = answer.rough, answer.finished
    depth = rng.uniform(0, rough.height_mm, 4000)
    turn = rng.uniform(0, 2 * np.pi, 4000)
    for tree in ("lower", "mean", "upper"):
        dry = answer.dried(tree)
        level = flat_level(rough, finished.rim_mm, dry.radial_pct, dry.tangential_pct)
        for radius in (rough.outer_radius(depth) + 1e-6, rough.inner_radius(depth) - 1e-6):
            on = radius > 0
            x, z, down = dry.carried(
                radius[on] * np.cos(turn[on]), radius[on] * np.sin(turn[on]), depth[on]
            )
            assert not finished.holds(x, z, down - level).any()


def test_far_from_the_pith_the_wall_is_a_matter_of_two_circles():
    # By hand: no warp, sides shrink by e_t, ends by e_l. The rough rim must be D with
    # D (1 - e_t) = d; the hollow along the grain must not exceed d/2 - t:
    # wall = D/2 - (d/2 - t)/(1 - e_l).
    margin = WallMargin(scatter_cv_pct=0, totals_pct=(4.0, 10.0))
    answer = rough_wall("any", 300, 60, 8, rim_faces="bark", pith_mm=1e6, margin=margin)
    e_t, e_l = 0.10 * 22 / 30, 0.0015 * 22 / 30
    by_hand = 150 / (1 - e_t) - 142 / (1 - e_l)
    assert answer.rough.rim_mm == pytest.approx(300 / (1 - e_t), abs=0.8)
    assert answer.wall_mm == pytest.approx(by_hand, abs=0.5)
    assert answer.wall_mm >= by_hand


def test_wood_that_does_not_move_needs_no_more_than_the_finished_wall():
    still = pd.DataFrame(
        [[0.0, 0.0, 0.0]], columns=["radial_pct", "tangential_pct", "longitudinal_pct"]
    )
    rough = least_rough(Bowl(250, 100, 8, 100), still, "pith", 10)
    assert rough.wall_mm == pytest.approx(8, abs=0.3)
    assert rough.rim_mm == pytest.approx(250, abs=0.3)
    assert rough.height_mm == pytest.approx(100, abs=0.2)


def test_more_movement_more_wall():
    walls = [
        rough_wall("any", 250, 100, 8, margin=WallMargin(totals_pct=(4, total))).wall_mm
        for total in (5, 7, 9, 12)
    ]
    assert walls == sorted(walls)
    assert walls[-1] > walls[0] + 2
    wetter = [rough_wall("sugar maple", 250, 100, 8, moisture_pct=m).wall_mm for m in (15, 22, 60)]
    assert wetter == sorted(wetter)
    green = rough_wall("sugar maple", 250, 100, 8)
    assert green.wall_mm == wetter[-1]  # above fibre saturation nothing moves
    assert green.mean_wall_mm < green.wall_mm
    assert rough_wall("sugar maple", 400, 160, 8).wall_mm > green.wall_mm


def test_margin_is_the_stated_quantile():
    lower, upper = WallMargin(share=0.9, scatter_cv_pct=20).factors
    assert upper == pytest.approx(1 + 0.2 * norm.ppf(0.9))
    assert lower == pytest.approx(1 - 0.2 * norm.ppf(0.9))
    strains = wl.rough_wall("sugar maple", 250, 100, 8).strains
    assert strains.loc["mean", "tangential_pct"] == pytest.approx(9.9 * 22 / 30)
    assert strains.loc["upper", "tangential_pct"] == pytest.approx(
        9.9 * (1 + 0.15 * norm.ppf(0.95)) * 22 / 30
    )


def test_the_answer_says_what_it_rests_on():
    answer = wl.rough_wall("hard maple", 250, 100, 8, rim_faces="bark", moisture_pct=60)
    text = " ".join(answer.sentences)
    assert f"at least {answer.wall_mm:.1f} mm" in text
    assert "coefficient of variation of 15 %" in text
    assert "from memory" in text
    assert "A tenth of the rough rim (common practice, no source)" in text
    assert answer.tenth_mm == answer.rough.rim_mm / 10
    assert "mean of sugar maple, black maple" in answer.reason
    assert "Table 4-3" in answer.source
    assert any("fly apart" in caution for caution in answer.cautions)
    # the rough bowl really keeps its pith outside: 10 mm below its foot
    assert answer.rough.pith_mm == pytest.approx(answer.rough.height_mm + 10, abs=0.2)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: rough_wall("teak", 250, 100, 8), "does not know 'teak'"),
        (lambda: rough_wall("gray birch", 250, 100, 8), "no tangential figure"),
        (lambda: rough_wall("sugar maple", 250, 100, 130), "leaves no hollow"),
        (lambda: rough_wall("sugar maple", 250, 100, 8, moisture_pct=7), "would not dry from 7 %"),
        (lambda: rough_wall("sugar maple", 250, 100, 8, rim_faces="up"), "must be 'pith' or"),
        (lambda: rough_wall("sugar maple", 250, 100, 8, pith_mm=-3), "pith_mm must be zero or"),
        (
            lambda: rough_wall("sugar maple", 250, 100, 8, rim_faces="bark", pith_mm=90),
            "the pith would lie in the wood",
        ),
        (
            lambda: rough_wall("sugar maple", 250, 100, 8, rim_faces="bark", pith_mm=101),
            "stands 101 mm from the pith, but the bowl is 1",
        ),
        (lambda: rough_wall("sugar maple", 250, 100, 8, moisture_pct="wet"), "moisture_pct is the"),
        (lambda: wl.wall_window("sugar maple", "wide"), "rims_mm is the text 'wide'"),
        (lambda: WallMargin(share=1.0), "share must be at least 0.5"),
        (lambda: WallMargin(scatter_cv_pct=-1), "scatter_cv_pct must be between"),
    ],
)
def test_what_cannot_be_answered_is_refused_in_words(call, message):
    with pytest.raises(wl.WoodlabError, match=message):
        call()


def test_own_figures_stand_in_for_an_unknown_species():
    answer = rough_wall("teak", 250, 100, 8, margin=WallMargin(totals_pct=(2.6, 5.3)))
    assert answer.source == "own figures"
    assert answer.strains.loc["mean", "radial_pct"] == pytest.approx(2.6 * 22 / 30)


def test_round_wall_of_the_dried_rim_holds_the_finished_one():
    answer = wl.rough_wall("black walnut", 280, 110, 9, rim_faces="bark")
    for tree in ("lower", "mean", "upper"):
        assert answer.dried(tree).round_wall_mm() >= 9 - 0.01
    thin = replace(answer.rough, wall_mm=answer.wall_mm - 1.5)
    upper = answer.dried("upper")
    assert dried_bowl(thin, upper.radial_pct, upper.tangential_pct).round_wall_mm() < 9


def crack_rows(**more):
    row = {
        "species": "Sugar Maple", "seal": "wax", "wall_mm": 30.0, "ci_lower": 24.0,
        "ci_upper": 38.0, "reason": "",
    }  # fmt: skip
    return pd.DataFrame([row | more])


def test_window_stands_open_shut_or_in_doubt():
    def window(**more):
        frame = wall_window(["sugar maple"], [250], thickest=crack_rows(**more))
        return frame.iloc[0]

    thin = wl.rough_wall("sugar maple", 250, 100, 8).wall_mm
    assert window()["window"] == "open"
    assert window()["thinnest_mm"] == thin
    assert window(wall_mm=thin - 1)["window"] == "doubtful"
    # nothing can be said yet of any wall, but where the estimate crosses the level is known
    assert window(wall_mm=np.nan)["window"] == "doubtful"
    assert window(wall_mm=9.0, ci_lower=5.0, ci_upper=thin - 1)["window"] == "shut"
    unknown = window(wall_mm=np.nan, ci_lower=np.nan, ci_upper=np.nan, reason="no cracks yet")
    assert unknown["window"] == "one side only"
    assert unknown["reason"] == "no cracks yet"


def test_window_has_a_row_for_every_species_size_and_seal():
    rows = pd.concat([crack_rows(), crack_rows(seal="none", wall_mm=20.0)])
    frame = wall_window(["sugar maple", "teak", "black walnut"], [200, 300], thickest=rows)
    assert len(frame) == 2 * 2 + 2 + 2
    teak = frame[frame["species"] == "teak"]
    assert (teak["window"] == "not known").all()
    assert teak["reason"].str.contains("does not know 'teak'").all()
    walnut = frame[frame["species"] == "black walnut"]
    assert (walnut["reason"] == "the crack study has no black walnut").all()


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: wl.rough_wall("ash", 300, 120, 8, learnt=3), "learnt is the number 3. Give wl.m"),
        (lambda: wl.rough_wall("ash", 300, 120, 8, margin=3), "margin is the number 3. Give wl.W"),
        (lambda: wl.rough_wall("ash", 300, 120, 8, pith_mm="x"), "pith_mm is the text 'x'"),
        (lambda: wl.WallMargin(share="x"), "share is the text 'x'"),
        (lambda: wl.WallMargin(totals_pct=3), "Give two numbers, radial and tangential"),
        (lambda: wl.wall_window("ash", 300, margin=3), "margin is the number 3"),
        (lambda: wl.wall_window("ash", 300, thickest=3), "Give wl.crack_study"),
        (lambda: wl.dried_bowl(3, 4, 5), "bowl is the number 3. Give wl.Bowl"),
        (lambda: wl.trial_power({"drying_time": 1.2}, seed="x"), "seed is the text 'x'"),
        (lambda: wl.trial_plan(pd.DataFrame({"species": ["ash"]}), ["a", "b"], seed=-1),
         "seed is the number -1. Give a whole number"),
        (lambda: wl.demo_book(seed="x"), "seed is the text 'x'"),
    ],
)  # fmt: skip
def test_what_is_no_answer_is_refused_in_words(ask, said):
    with pytest.raises(wl.WoodlabError, match=said):
        ask()
