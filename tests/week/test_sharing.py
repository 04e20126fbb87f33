"""A book that is given away: no name in it, every number still there, described by a standard."""

import hashlib
import json

import pandas as pd
import pytest

import woodlab as wl
from woodlab import app
from woodlab.week.sharing import LICENCES, private_parts, share_book

SECRETS = (
    "Wendelin",
    "behind the old forge",
    "ask my neighbour",
    "Wendelin's kitchen scale",
    "bay 7",
)


@pytest.fixture
def book():
    pieces = pd.DataFrame({
        "piece": ["A1", "A2"], "species": "white ash", "seal": "none", "turned_on": "2026-03-01",
        "wall_mm": [22, 30], "maker": ["Wendelin", "Ottil"], "place": "behind the old forge",
        "note": ["ask my neighbour", None], "bay of mine": ["bay 7", "bay 8"],
    })  # fmt: skip
    weighings = pd.DataFrame({
        "piece": ["A1", "A2", "A1"], "on": ["2026-03-01", "2026-03-01", "2026-03-08"],
        "mass_g": [1480, 1900, 1390], "scale": "Wendelin's kitchen scale",
    })  # fmt: skip
    return wl.RecordBook.from_frames(pieces=pieces, weighings=weighings)


def test_no_name_and_no_note_is_left_and_every_number_is(book, tmp_path):
    out = share_book(book, tmp_path / "given", licence="CC0-1.0")
    for file in out.iterdir():
        text = file.read_text(encoding="utf-8")
        assert not [secret for secret in SECRETS if secret in text], file.name
    again = wl.open_book(out)
    columns = ["piece", "on", "mass_g"]
    pd.testing.assert_frame_equal(again.weighings[columns], book.weighings[columns])
    assert again.pieces["maker"].tolist() == ["maker 1", "maker 2"]  # still two people
    assert again.pieces["wall_mm"].tolist() == [22, 30]


def test_what_is_private_is_found_and_may_be_kept(book, tmp_path):
    kinds = {part.kind: part.n for part in private_parts(book)}
    assert kinds == {"makers": 2, "places": 1, "scales": 1, "notes": 1, "columns of your own": 2}
    answers = {"makers": "drop", "notes": "keep", "places": "keep"}
    again = wl.open_book(share_book(book, tmp_path / "g", licence="CC0-1.0", answers=answers))
    assert again.pieces["maker"].isna().all()
    assert again.pieces["note"].iloc[0] == "ask my neighbour"
    assert set(again.pieces["place"]) == {"behind the old forge"}


def test_the_description_fits_the_files(book, tmp_path):
    out = share_book(book, tmp_path / "given", licence="CC-BY-4.0")
    said = json.loads((out / "datapackage.json").read_text(encoding="utf-8"))
    assert said["licenses"] == [{"name": "CC-BY-4.0", "title": LICENCES["CC-BY-4.0"][0],
                                 "path": LICENCES["CC-BY-4.0"][1]}]  # fmt: skip
    assert {r["path"] for r in said["resources"]} == {p.name for p in out.glob("*.csv")}
    for resource in said["resources"]:
        data = (out / resource["path"]).read_bytes()
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        assert resource["bytes"] == len(data)
        heads = data.decode().split("\n", 1)[0].split(",")
        assert [field["name"] for field in resource["schema"]["fields"]] == heads
    fields = {f["name"]: f for r in said["resources"] for f in r["schema"]["fields"]}
    assert fields["mass_g"]["unit"] == "g"
    assert fields["wall_mm"]["unit"] == "mm"


def test_an_unknown_licence_or_answer_is_told_and_nothing_is_written(book, tmp_path):
    with pytest.raises(wl.WoodlabError, match="'mine' is not known. Choose from: CC0-1.0"):
        share_book(book, tmp_path / "given", licence="mine")
    with pytest.raises(wl.WoodlabError, match="notes: 'replace' is no answer"):
        share_book(book, tmp_path / "given", licence="CC0-1.0", answers={"notes": "replace"})
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "one.txt").write_text("years of work")
    with pytest.raises(wl.WoodlabError, match="one.txt|other files|not empty"):
        share_book(book, tmp_path / "thesis", licence="CC0-1.0")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["thesis"]


def test_the_command_asks_and_without_anybody_to_answer_writes_nothing(book, tmp_path, monkeypatch):
    import io
    import sys

    book.save(tmp_path / "mine")
    command = ["share", str(tmp_path / "mine"), "--out", str(tmp_path / "given")]
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert app.main(command) == 2
    assert not (tmp_path / "given").exists()
    monkeypatch.setattr(sys, "stdin", io.StringIO("1\n2\n1\n1\n1\n2\n"))
    assert app.main(command) == 0
    again = wl.open_book(tmp_path / "given")
    assert "place" not in (tmp_path / "given" / "pieces.csv").read_text().split("\n")[0]
    assert again.pieces["maker"].tolist() == ["maker 1", "maker 2"]
