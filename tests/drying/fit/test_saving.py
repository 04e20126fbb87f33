"""Fits in a file and back; what earlier seasons tell of the next; who can run the kernel."""

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_books import SEALS, season

import woodlab as wl
from woodlab.drying.fit.experience import BETWEEN, Experience, as_experience, joined, of_fits
from woodlab.errors import WoodlabError

AS_OF = "2026-04-25"
PACKAGE = Path(wl.__file__).parent


@pytest.fixture(scope="module")
def fits():
    return wl.fit_drying(season("slab", 8, seed=5).book, ["slab", "film"], as_of=AS_OF, draws=60)


@pytest.fixture(scope="module")
def file(fits, tmp_path_factory):
    path = tmp_path_factory.mktemp("saved") / "season.fits"
    fits.save(path)
    return path


def test_saved_fits_are_the_same_fits(fits, file):
    again = wl.load_fits(file)
    for name in ("pieces", "params", "groups", "checks", "residuals", "steps", "laws"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(fits, name), check_dtype=False)
    days = [0.0, 40.0, 300.0]
    pd.testing.assert_frame_equal(again.predict(days=days), fits.predict(days=days))
    pd.testing.assert_frame_equal(wl.forecast_ready(again), wl.forecast_ready(fits))
    assert again.summary() == fits.summary()
    assert again.as_of == fits.as_of
    # asked as of an earlier day the book is fitted again, by the same options
    early = "2026-04-01"
    pd.testing.assert_frame_equal(
        wl.forecast_ready(again, early), wl.forecast_ready(fits, early), check_dtype=False
    )


def test_single_pieces_are_saved_too(tmp_path):
    book = season("film", 4, seed=5).book
    for law in ("exponential", "slab"):
        fits = wl.fit_drying(book, law, pool=False, as_of=AS_OF, draws=40)
        fits.save(tmp_path / f"{law}.fits")
        again = wl.load_fits(tmp_path / f"{law}.fits")
        pd.testing.assert_frame_equal(again.predict(days=[50.0]), fits.predict(days=[50.0]))


def test_saving_again_writes_the_file_anew_and_nothing_beside_it(fits, tmp_path):
    path = tmp_path / "a.fits"
    path.write_text("old")
    fits.save(str(path))
    assert wl.load_fits(path).as_of == fits.as_of
    assert [p.name for p in tmp_path.iterdir()] == ["a.fits"]


@pytest.mark.parametrize(
    "name", ["../evil.csv", "book/../../evil.csv", "{there}/evil.csv", "book/..\\evil.csv",
             "book/sub/evil.csv"]
)  # fmt: skip
def test_odd_names_in_a_file_do_no_harm(file, tmp_path, name):
    bad = tmp_path / "inner" / "bad.fits"
    bad.parent.mkdir()
    shutil.copy(file, bad)
    with zipfile.ZipFile(bad, "a") as archive:
        archive.writestr(name.format(there=tmp_path), "mark,evil\n1,2\n")
    before = {p for p in tmp_path.rglob("*")}
    again = wl.load_fits(bad)
    assert again.pieces["piece"].tolist() == wl.load_fits(file).pieces["piece"].tolist()
    assert {p for p in tmp_path.rglob("*")} == before


def rewritten(file, target, changed):
    """The file with some of its parts replaced; None leaves one out."""
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            if name not in changed:
                new.writestr(name, old.read(name))
        for name, content in changed.items():
            if content is not None:
                new.writestr(name, content)
    return target


def test_a_pickle_in_a_file_is_not_run(file, tmp_path):
    import io
    import pickle

    class Evil:
        def __reduce__(self):
            return (os.mkdir, (str(tmp_path / "evil"),))

    held = io.BytesIO()
    np.savez(held, u=np.array([Evil()], dtype=object))
    for content in (held.getvalue(), pickle.dumps(Evil())):
        bad = rewritten(file, tmp_path / "bad.fits", {"part_0.npz": content})
        with pytest.raises(WoodlabError, match=r"bad\.fits cannot be read as saved fits"):
            wl.load_fits(bad)
    assert not (tmp_path / "evil").exists()


def test_what_is_no_saved_fit_says_so(file, tmp_path):
    (tmp_path / "text.fits").write_text("piece,mass\n")
    whole = file.read_bytes()
    (tmp_path / "half.fits").write_bytes(whole[: len(whole) // 2])
    rewritten(file, tmp_path / "empty.fits", {"about.json": None})
    rewritten(file, tmp_path / "list.fits", {"about.json": "[1]"})
    rewritten(file, tmp_path / "lost.fits", {"part_0.npz": None})
    for name in ("text", "half", "empty", "list", "lost"):
        with pytest.raises(WoodlabError, match=rf"{name}\.fits cannot be read as saved fits"):
            wl.load_fits(tmp_path / f"{name}.fits")
    with pytest.raises(WoodlabError, match=r"There is no file at .*nowhere\.fits\. Give one that"):
        wl.load_fits(tmp_path / "nowhere.fits")
    with pytest.raises(WoodlabError, match=r"path is None\. Give that of a file to write"):
        wl.load_fits(file).save(None)
    rewritten(file, tmp_path / "new.fits", {"about.json": '{"version": 99}'})
    with pytest.raises(WoodlabError, match=r"new\.fits was saved by another version. Fit the book"):
        wl.load_fits(tmp_path / "new.fits")
    for thing in (7, None, [1]):
        with pytest.raises(WoodlabError, match="Give that of a file that fits.save"):
            wl.load_fits(thing)


# Experience


@pytest.fixture(scope="module")
def two_seasons():
    truth = {"surface_m_s": {"none": 1.2e-8, "wax all over": 1.5e-9}}  # far from our priors
    first = season("film", 16, seed=11, **truth)
    return truth, wl.fit_drying(first.book, "film", draws=60), season("film", 10, seed=12, **truth)


def off(fits, truth):
    """How far the seals' surface coefficients are from the truth, of ln."""
    rows = fits.groups[fits.groups["parameter"] == "surface_m_s"]
    rows = rows[rows["kind"] == "seal"].set_index("group")["estimate"]
    return np.array([abs(np.log(rows[s] / truth["surface_m_s"][s])) for s in SEALS])


def test_a_second_season_starts_nearer_the_truth(two_seasons):
    truth, first, second = two_seasons
    early = "2026-02-12"  # a few weighings only
    alone = wl.fit_drying(second.book, "film", as_of=early, draws=60)
    told = wl.fit_drying(second.book, "film", as_of=early, draws=60, experience=first)
    assert off(told, truth).sum() < off(alone, truth).sum()
    assert off(told, truth).mean() < 0.9 * off(alone, truth).mean()
    wide = [f.groups[f.groups["kind"] == "seal"] for f in (alone, told)]
    spread = [np.log(w["ci_upper"] / w["ci_lower"]).mean() for w in wide]
    assert spread[1] < 0.8 * spread[0]
    wanted = second.moisture.loc["2026-06-01"]
    later = [f.predict(on="2026-06-01").set_index("piece")["moisture_pct"] for f in (alone, told)]
    error = [np.sqrt(((m - wanted.reindex(m.index)) ** 2).mean()) for m in later]
    assert error[1] < error[0] + 0.2


def test_a_file_and_the_fits_are_one_experience(two_seasons, tmp_path):
    _, first, _ = two_seasons
    first.save(tmp_path / "first.fits")
    held, loaded = of_fits(first).told, as_experience(tmp_path / "first.fits").told
    assert held.keys() == loaded.keys()
    for key, value in held.items():
        assert loaded[key] == pytest.approx(value)
    both = as_experience([first, str(tmp_path / "first.fits")])
    key = ("seal, surface_m_s", "none")
    assert both.told[key][0] == pytest.approx(held[key][0])
    assert both.told[key][1] == pytest.approx(held[key][1] / np.sqrt(2))


def test_last_year_does_not_count_as_this_year():
    told = Experience({("seal, surface_m_s", "wax"): (-19.0, 0.01), ("no such", "x"): (0.0, 1.0)})
    effects = told.effects()
    assert effects.keys() == {("seal, surface_m_s", "wax")}
    assert effects["seal, surface_m_s", "wax"][1] >= BETWEEN["seal, surface_m_s"]


def test_clubs_are_joined_by_dersimonian_and_laird():
    # by hand: means 0 and 1, both of sd 0.1. Q = 50, tau2 = (50 - 1)/(200 - 100) = 0.49
    key = ("scale", "a")
    mean, sd = joined([Experience({key: (m, 0.1)}) for m in (0.0, 1.0)]).told[key]
    assert mean == pytest.approx(0.5)
    assert sd == pytest.approx(np.sqrt(0.5 / 2 + 0.49))


def test_experience_is_kept_in_the_file_and_asked_again(two_seasons, tmp_path):
    _, first, second = two_seasons
    told = wl.fit_drying(second.book, "film", as_of="2026-03-10", draws=40, experience=first)
    told.save(tmp_path / "second.fits")
    again = wl.load_fits(tmp_path / "second.fits")
    early = "2026-02-20"
    pd.testing.assert_frame_equal(
        wl.forecast_ready(again, early), wl.forecast_ready(told, early), check_dtype=False
    )
    with pytest.raises(WoodlabError, match="experience tells of groups"):
        wl.fit_drying(second.book, "film", pool=False, experience=first)


# Who can run the kernel

SMALL = """
import ctypes, os, sys
if hasattr(os, "geteuid") and os.geteuid() == 0:  # root writes everywhere: give that right up
    libc, none = ctypes.CDLL(None, use_errno=True), (ctypes.c_uint32 * 6)()
    assert libc.capset((ctypes.c_uint32 * 2)(0x20080522, 0), none) == 0
import woodlab as wl
assert wl.__file__.startswith(sys.argv[1]), wl.__file__
from woodlab.drying.laws import LAWS
wet = {"start_moisture_pct": 60, "diffusivity_m2_s": 5e-11, "surface_m_s": 1e-8}
print(LAWS["slab"].moisture([0, 30], wet, 25.0, 12.0).round(3).tolist())
"""


@pytest.mark.parametrize("temporary", ["writable", "not writable"])
def test_the_kernel_runs_read_only_and_without_a_home(tmp_path, temporary):
    """A copy without write rights, no home, and also no temporary folder to write in."""
    copy, temp = tmp_path / "site", tmp_path / "temp"
    shutil.copytree(PACKAGE, copy / "woodlab", ignore=shutil.ignore_patterns("__pycache__"))
    temp.mkdir()
    for path in sorted(copy.rglob("*"), reverse=True):
        path.chmod(0o555 if path.is_dir() else 0o444)
    copy.chmod(0o555)
    temp.chmod(0o755 if temporary == "writable" else 0o555)
    environment = {
        "PATH": os.environ.get("PATH", ""), "PYTHONPATH": str(copy), "TMPDIR": str(temp),
        "HOME": str(copy / "nowhere"), "PYTHONDONTWRITEBYTECODE": "1", "OMP_NUM_THREADS": "1",
    }  # fmt: skip
    try:
        done = subprocess.run(
            [sys.executable, "-c", SMALL, str(copy)], capture_output=True, text=True,
            env=environment, cwd="/", timeout=300,
        )  # fmt: skip
    finally:
        temp.chmod(0o755)
        for path in (copy, *copy.rglob("*")):
            path.chmod(0o755 if path.is_dir() else 0o644)
    assert done.returncode == 0, done.stderr[-2000:]
    from woodlab.drying.laws import LAWS

    wet = {"start_moisture_pct": 60, "diffusivity_m2_s": 5e-11, "surface_m_s": 1e-8}
    ours = LAWS["slab"].moisture([0, 30], wet, 25.0, 12.0).round(3).tolist()
    assert done.stdout.strip().splitlines()[-1] == str(ours)
    kept = any(temp.iterdir())
    assert kept == (temporary == "writable")
    assert not list(copy.rglob("__pycache__"))
