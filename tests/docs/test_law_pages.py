"""Each law has its page and its picture, and the numbers in the picture by a second route."""

import importlib.util
import json
import re
import struct
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from woodlab.drying.laws import LAWS

DOCS = Path(__file__).resolve().parents[2] / "docs"
AIR = 12.0
SATURATION = 30.0
DAY = 86400.0


@cache
def maker():
    spec = importlib.util.spec_from_file_location("make_pictures", DOCS / "pictures" / "make.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@cache
def picture(law):
    return maker().law_picture(law)


def frames(law):
    return picture(law)[0]


def chart(law):
    return picture(law)[1]


def page(law):
    return (DOCS / "laws" / f"{law}.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("law", LAWS)
def test_a_page_has_equation_picture_range_source_and_limits(law):
    text = page(law)
    assert text.startswith(f"# {law}\n")
    block = re.search(r"\n\n((?: {4}.*\n)+)\n", text)
    assert block, "no equation: a block indented by four spaces"
    assert "=" in block[1]
    for parameter in LAWS[law].parameters:
        assert f"`{parameter.name}`" in text, f"{parameter.name} is not among the symbols"
    for part in ("Range", "Source", "Limits"):
        said = re.search(rf"^\*\*{part}\.\*\* (.*)", text, re.M)
        assert said, f"no paragraph **{part}.**"
        assert len(said[1]) > 20
    assert maker().line_for_page(law, chart(law).description) in text.splitlines(), (
        f"the picture's line is not the one that `python docs/pictures/make.py {law}` prints"
    )
    below = text.split(f"(../pictures/law_{law}.png)\n\n")[1].split("\n\n")[0]
    assert "The numbers are invented" in " ".join(below.split())


@pytest.mark.parametrize("law", LAWS)
def test_the_picture_on_the_page_is_the_one_that_is_made_today(law, tmp_path):
    stored = DOCS / "pictures" / f"law_{law}.png"
    maker().make(law, tmp_path)
    old, new = (read(path) for path in (stored, tmp_path / stored.name))
    assert stored.stat().st_size < 110_000
    # within a few pixels: another machine's fonts may be a little wider
    assert old["size"] == pytest.approx(new["size"], rel=0.02)
    assert old["means"].keys() == new["means"].keys()
    for name, columns in new["means"].items():
        assert old["means"][name] == pytest.approx(columns, rel=1e-3, abs=1e-15, nan_ok=True), name


def read(path):
    chunks = dict(maker().chunks(path.read_bytes()))
    return {
        "size": struct.unpack(">II", chunks[b"IHDR"][:8]),
        "means": json.loads(chunks[b"tEXt"].removeprefix(b"Comment\0")),
    }


# The second routes: closed forms and series in plain NumPy, for the slab a method of lines of its
# own. None calls the laws.


def exponential(p, days):
    return AIR + (p["start_moisture_pct"] - AIR) * np.exp(-days / p["tau_days"])


def two_term(p, days):
    fast, slow = np.exp(-days / p["tau_fast_days"]), np.exp(-days / p["tau_slow_days"])
    left = p["fast_share"] * fast + (1 - p["fast_share"]) * slow
    return AIR + (p["start_moisture_pct"] - AIR) * left


def stretched(p, days):
    return AIR + (p["start_moisture_pct"] - AIR) * np.exp(-((days / p["tau_days"]) ** p["shape"]))


def two_period(p, days):
    start, critical, tau = p["start_moisture_pct"], p["critical_pct"], p["tau_days"]
    pace = (critical - AIR) / tau
    change = (start - critical) / pace
    falling = AIR + (critical - AIR) * np.exp(-np.maximum(days - change, 0) / tau)
    return np.where(days < change, start - pace * days, falling)


def sheet(p, days, across_mm=None):
    """Crank's series: the mean, or the profile at the distances from a face."""
    half = p["wall_mm"] / 2000
    fo = p["diffusivity_m2_s"] * DAY * np.asarray(days) / half**2
    if "surface_m_s" in p:
        biot = half * p["surface_m_s"] / p["diffusivity_m2_s"]
        b = np.array(
            [
                brentq(lambda b: b * np.sin(b) - biot * np.cos(b), n * np.pi, (n + 0.5) * np.pi)
                for n in range(400)
            ]
        )
        mean = 2 * biot**2 / (b**2 * (b**2 + biot**2 + biot))
        inside = 2 * biot / ((b**2 + biot**2 + biot) * np.cos(b))
    else:
        odd = 2 * np.arange(4000) + 1
        b = odd * np.pi / 2
        mean = 2 / b**2
        inside = 4 / (odd * np.pi) * (-1) ** np.arange(4000)
    fading = np.exp(-np.outer(fo, b**2))
    if across_mm is None:
        left = fading @ mean
    else:
        left = np.cos(np.outer(1 - across_mm / (1000 * half), b)) @ (inside * fading[0])
    return AIR + (p["start_moisture_pct"] - AIR) * left


def slab(p, days, across_mm=None):
    """Equal cells, the diffusivity at each face from the mean of its neighbours, LSODA."""
    cells, half = 300, p["wall_mm"] / 2000
    width = half / cells
    rise = p.get("rise_per_pct", np.log(8) / 15.5)

    def rate(_, m):
        d = p["diffusivity_m2_s"] * np.exp(rise * (np.minimum(m, SATURATION) - 15))
        flux = np.zeros(cells + 1)
        flux[1:-1] = (d[1:] + d[:-1]) / 2 * -np.diff(m) / width
        # half a cell and the surface coefficient in series, the flux no more than at saturation
        skin = 2 * d[-1] / width
        free = p["surface_m_s"] * skin / (p["surface_m_s"] + skin) * (m[-1] - AIR)
        flux[-1] = min(free, p["surface_m_s"] * (SATURATION - AIR))
        return -DAY * np.diff(flux) / width

    solved = solve_ivp(
        rate, (0, max(days)), np.full(cells, p["start_moisture_pct"]), t_eval=days,
        method="LSODA", lband=1, uband=1, rtol=1e-7, atol=1e-7,
    ).y  # fmt: skip
    if across_mm is None:
        return solved.mean(axis=0)
    depth = (np.arange(cells) + 0.5) * width * 1000
    return np.interp(np.minimum(across_mm, p["wall_mm"] - across_mm), depth, solved[::-1, -1])


ROUTES = {
    "exponential": exponential, "two_term": two_term, "stretched": stretched,
    "diffusion": sheet, "film": sheet, "two_period": two_period, "slab": slab,
}  # fmt: skip
# Points of moisture. The sheets' series is cut off at day 0, the slab's usual grid is good to 0.1.
WITHIN = {"diffusion": 0.01, "film": 0.01, "slab": 0.15}


def cases(frame):
    """Each case of a frame: its law, parameters and rows."""
    for _, rows in frame.groupby("case", sort=False):
        first = rows.iloc[0].dropna()
        law = first["law"]
        known = ["start_moisture_pct", "wall_mm", *(q.name for q in LAWS[law].parameters)]
        yield law, {name: first[name] for name in known if name in first}, rows


def parameters(law):
    return {
        rows["case"].iloc[0]: (name, params) for name, params, rows in cases(frames(law)["curves"])
    }


def by_another_way(law, case, days):
    name, params = parameters(law)[case]
    return ROUTES[name](params, np.atleast_1d(np.asarray(days, dtype=float)))


@pytest.mark.parametrize("law", LAWS)
def test_the_curves_agree_with_a_second_route(law):
    curves = frames(law)["curves"]
    assert curves["case"].nunique() >= 3
    assert law in set(curves["law"])
    for name, params, rows in cases(curves):
        other = ROUTES[name](params, rows["days"].to_numpy())
        assert np.abs(rows["moisture_pct"] - other).max() < WITHIN.get(name, 1e-9)


@pytest.mark.parametrize(
    ("law", "dots"),
    [("exponential", "made"), ("stretched", "made"), ("diffusion", "half"), ("film", "half"),
     ("two_period", "at_14")],
)  # fmt: skip
def test_the_dots_lie_on_the_curves(law, dots):
    marked = frames(law)[dots]
    assert len(marked) == len(parameters(law))
    for row in marked.itertuples():
        assert row.moisture_pct == pytest.approx(
            by_another_way(law, row.case, row.days).item(), abs=0.02
        )


def test_in_the_air_of_a_shed_each_day_closes_its_share_of_the_gap():
    air = frames("exponential")["air"]["moisture_pct"].to_numpy()
    for _, params, rows in cases(frames("exponential")["in_air"]):
        now, course = params["start_moisture_pct"], []
        for level in air:
            course.append(now)
            now = level + (now - level) * np.exp(-1 / params["tau_days"])
        assert rows["moisture_pct"].to_numpy() == pytest.approx(np.array(course), abs=1e-9)


def test_the_two_parts_are_exponentials_and_add_up():
    parts = frames("two_term")["parts"].pivot(index="days", columns="case", values="above_air_pct")
    days = parts.index.to_numpy()
    assert parts["fast, 6 days"].to_numpy() == pytest.approx(24 * np.exp(-days / 6), abs=1e-9)
    assert parts["slow, 60 days"].to_numpy() == pytest.approx(24 * np.exp(-days / 60), abs=1e-9)
    both = parts["fast, 6 days"] + parts["slow, 60 days"]
    assert both.to_numpy() == pytest.approx(parts["the sum"].to_numpy(), abs=1e-9)


@pytest.mark.parametrize("law", ["stretched", "two_period"])
def test_the_losses_are_the_slope_of_the_curves(law):
    for case, rows in frames(law)["losses"].groupby("case", sort=False):
        days = rows["days"].to_numpy()
        step = days[1] - days[0]
        before, after = (by_another_way(law, case, days + way * step / 2) for way in (-1, 1))
        assert rows["loss_pct_a_day"].to_numpy() == pytest.approx((before - after) / step, abs=1e-6)


def test_the_profiles_of_the_sheets_agree_with_cranks_series():
    for law, wall_mm in (("diffusion", 40.0), ("film", 25.0)):
        for case, rows in frames(law)["profiles"].groupby("case", sort=False):
            _, params = parameters(law)[case if law == "film" else "40 mm"]
            assert params["wall_mm"] == wall_mm
            other = sheet(params, [rows["days"].iloc[0]], rows["across_mm"].to_numpy())
            assert np.abs(rows["moisture_pct"] - other).max() < 0.03


@pytest.mark.parametrize("wall", ["bare", "sealed"])
def test_the_profiles_of_the_slab_agree_with_a_second_grid(wall):
    _, params = parameters("slab")[wall]
    for case, rows in frames("slab")[wall].groupby("case", sort=False):
        other = slab(params, [rows["days"].iloc[0]], rows["across_mm"].to_numpy())
        assert np.abs(rows["moisture_pct"] - other).max() < 0.2
        assert rows["mean_pct"].iloc[0] == pytest.approx(float(case.split()[0]), abs=0.1)
