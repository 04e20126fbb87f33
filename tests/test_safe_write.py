"""Writing: what stood there or what shall stand there, never half; nothing left lying about."""

import json
import os
import threading

import pandas as pd
import pytest

import woodlab as wl
from woodlab import safe_write
from woodlab.errors import WoodlabError, WorkError
from woodlab.safe_write import NOTE, locked, steady, whole_folder, write_file, write_files
from woodlab.season import run_season

MARK = "article.json"
OURS = (MARK, "article.*", "figures")


def article_in(folder, text="old"):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MARK).write_text('{"woodlab": 2}')
    (folder / "article.md").write_text(text)
    return folder


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def book_of(grams):
    return wl.RecordBook.from_frames(
        pieces=pd.DataFrame({"piece": ["A1"], "species": ["sugar maple"], "seal": ["none"],
                             "turned_on": ["2026-03-01"], "wall_mm": [22.0]}),
        weighings=pd.DataFrame({"piece": ["A1"], "on": ["2026-03-01"], "mass_g": [grams]}),
    )  # fmt: skip


# ---- a whole folder -------------------------------------------------------------------------


def test_a_new_folder_appears_whole(tmp_path):
    out = tmp_path / "a" / "article"
    with whole_folder(out, MARK, OURS) as folder:
        article_in(folder, "new")
        assert not out.exists()
    assert names(out) == [MARK, "article.md"]
    assert names(tmp_path / "a") == ["article"]


def test_an_error_leaves_the_old_folder_and_nothing_else(tmp_path):
    out = article_in(tmp_path / "article")

    def write_half(target):
        with whole_folder(target, MARK, OURS) as folder:
            (folder / "article.md").write_text("half")
            raise ZeroDivisionError

    for target in (out, tmp_path / "new" / "deep" / "article"):
        with pytest.raises(ZeroDivisionError):
            write_half(target)
    assert (out / "article.md").read_text() == "old"
    assert names(tmp_path) == ["article"]


@pytest.mark.parametrize("at_once", [True, False])
def test_an_earlier_one_is_replaced_and_other_files_stay(tmp_path, monkeypatch, at_once):
    if not at_once:  # as where the system cannot exchange two names
        monkeypatch.setattr(safe_write, "_exchange", lambda *_: False)
    out = article_in(tmp_path / "article")
    (out / "article.pdf").write_text("old pdf")
    (out / "letter to the editor.txt").write_text("mine")
    (out / "photos").mkdir()
    (out / "photos" / "1.jpg").write_text("mine too")
    with whole_folder(out, MARK, OURS) as folder:
        article_in(folder, "new")
    assert names(out) == [MARK, "article.md", "letter to the editor.txt", "photos"]
    assert (out / "article.md").read_text() == "new"
    assert (out / "photos" / "1.jpg").read_text() == "mine too"
    assert names(tmp_path) == ["article"]


@pytest.mark.parametrize("mark", [None, '{"made_by": "another program"}'])
def test_a_foreign_folder_is_refused_and_nothing_in_it_or_beside_it_changes(tmp_path, mark):
    out = tmp_path / "thesis"
    out.mkdir()
    (out / "thesis.txt").write_text("mine")
    (out / ".running").write_text("mine")
    if mark:
        (out / MARK).write_text(mark)
    beside = [".thesis-old", ".thesis-working-x", ".thesis.woodlab-old"]
    for name in beside:
        (tmp_path / name).mkdir()
        (tmp_path / name / "file").write_text("mine")
    with pytest.raises(WoodlabError, match="holds other files"), whole_folder(out, MARK, OURS):
        pass
    assert names(out) == sorted([".running", "thesis.txt", *([MARK] if mark else [])])
    assert names(tmp_path) == sorted(["thesis", *beside])
    assert all((tmp_path / name / "file").read_text() == "mine" for name in beside)


def test_the_season_command_refuses_a_foreign_folder_and_changes_nothing(tmp_path):
    book_of(1480).save(tmp_path / "book")
    out = tmp_path / "results"
    out.mkdir()
    for name in (".running", "season.json", "mine.txt"):
        (out / name).write_text("{}")
    (tmp_path / ".results-old").mkdir()
    with pytest.raises(WoodlabError, match="holds other files"):
        run_season(tmp_path / "book", out)
    assert names(out) == [".running", "mine.txt", "season.json"]
    assert names(tmp_path) == [".results-old", "book", "results"]


def test_a_file_in_the_way_is_refused(tmp_path):
    (tmp_path / "article").write_text("mine")
    with pytest.raises(WoodlabError, match="is a file"), whole_folder(tmp_path / "article", MARK):
        pass
    assert (tmp_path / "article").read_text() == "mine"


def test_a_disk_that_fails_at_the_swap_is_said_and_harms_nothing(tmp_path, monkeypatch):
    out = article_in(tmp_path / "article")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(safe_write, "_swap_in", full)
    with pytest.raises(WorkError, match="No space left"), whole_folder(out, MARK) as folder:
        article_in(folder, "new")
    assert (out / "article.md").read_text() == "old"
    assert names(tmp_path) == ["article"]


def test_a_run_stopped_between_the_two_moves_is_made_good(tmp_path):
    out = tmp_path / "article"
    article_in(tmp_path / ".article.woodlab-old")
    article_in(tmp_path / f".article.woodlab-new-{'0' * 16}")
    with whole_folder(out, MARK) as folder:
        assert (out / "article.md").read_text() == "old"  # found again before anything is written
        article_in(folder, "new")
    assert (out / "article.md").read_text() == "new"
    assert names(tmp_path) == ["article"]


def test_two_runs_into_one_folder_do_not_mix(tmp_path, monkeypatch):
    monkeypatch.setattr(safe_write, "WAIT_SECONDS", 0.1)
    with whole_folder(tmp_path / "out", MARK) as folder:
        article_in(folder, "first")
        with (
            pytest.raises(WoodlabError, match="Another program is writing"),
            whole_folder(tmp_path / "out", MARK),
        ):
            pass
    assert (tmp_path / "out" / "article.md").read_text() == "first"


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs an ordinary POSIX user")
def test_a_folder_one_may_not_write_to_is_said(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(WorkError, match="cannot be written"), whole_folder(tmp_path / "x", MARK):
        pass


# ---- files, links, locks --------------------------------------------------------------------


@pytest.mark.parametrize("form", ["book", "book.xlsx", "book.ods"])
def test_a_clean_end_leaves_no_lock_and_no_empty_folder(tmp_path, form):
    path = tmp_path / "deep" / form
    for grams in (1480, 1490):
        book_of(grams).save(path)
    found = sorted(f.name for f in tmp_path.rglob("*") if f.name not in ("deep", form))
    assert found == (["pieces.csv", "weighings.csv"] if form == "book" else [])
    with pytest.raises(WoodlabError, match="written as a folder"):
        book_of(1).save(tmp_path / "other" / "book.doc")
    assert names(tmp_path) == ["deep"]


@pytest.mark.skipif(os.name == "nt", reason="links need leave there")
@pytest.mark.parametrize("form", ["book", "book.xlsx", "book.ods"])
def test_a_link_is_written_through_to_what_is_behind_it(tmp_path, form):
    real = tmp_path / "store" / form
    book_of(1480).save(real)
    (tmp_path / "link").mkdir()
    link = tmp_path / "link" / form
    link.symlink_to(real)
    book_of(1490).save(link)
    if form != "book.ods":
        wl.add_weighings(link, [{"piece": "A1", "on": "2026-03-08", "mass_g": 1400}])
    assert link.is_symlink()
    assert wl.open_book(real).weighings["mass_g"].iloc[0] == 1490
    assert names(tmp_path / "link") == [form]


@pytest.mark.skipif(os.name == "nt", reason="links need leave there")
def test_a_table_that_is_a_link_is_written_through(tmp_path):
    book_of(1480).save(tmp_path / "book")
    shared = tmp_path / "shared.csv"
    os.replace(tmp_path / "book" / "weighings.csv", shared)
    (tmp_path / "book" / "weighings.csv").symlink_to(shared)
    book_of(1490).save(tmp_path / "book")
    assert (tmp_path / "book" / "weighings.csv").is_symlink()
    assert "1490" in shared.read_text()
    assert names(tmp_path) == ["book", "shared.csv"]


def test_names_as_long_as_a_name_may_be(tmp_path):
    path = tmp_path / ("ä" * 125 + ".xlsx")
    for grams in (1480, 1490):
        book_of(grams).save(path)
    assert wl.open_book(path).weighings["mass_g"].item() == 1490
    assert names(tmp_path) == [path.name]


def test_a_device_is_no_file_to_write(tmp_path):
    os.mkfifo(tmp_path / "pipe.xlsx")
    with pytest.raises(WoodlabError, match="not a file"), locked(tmp_path / "pipe.xlsx"):
        write_file(tmp_path / "pipe.xlsx", b"x")


# ---- the tables of a folder -----------------------------------------------------------------


def stopped_while_saving(folder, grams, monkeypatch):
    """A save that is stopped once its note lies in the folder, before the first move."""
    with monkeypatch.context() as patch:

        def stopped(_):
            raise KeyboardInterrupt

        moves = safe_write._settle
        patch.setattr(
            safe_write, "_settle", lambda f: stopped(f) if (f / NOTE).exists() else moves(f)
        )
        with pytest.raises(KeyboardInterrupt):
            book_of(grams).save(folder)
    assert (folder / NOTE).exists()


def test_from_the_note_on_the_new_tables_are_the_book(tmp_path, monkeypatch):
    folder = tmp_path / "book"
    book_of(1480).save(folder)
    stopped_while_saving(folder, 999, monkeypatch)
    assert "1480" in (folder / "weighings.csv").read_text()
    assert wl.open_book(folder).weighings["mass_g"].tolist() == [999]
    wl.add_weighings(folder, [{"piece": "A1", "on": "2026-03-08", "mass_g": 990}])
    assert wl.open_book(folder).weighings["mass_g"].tolist() == [999, 990]
    assert names(folder) == ["pieces.csv", "weighings.csv"]


def test_a_table_that_was_typed_in_after_a_stop_stands(tmp_path, monkeypatch):
    folder = tmp_path / "book"
    book_of(1480).save(folder)
    stopped_while_saving(folder, 999, monkeypatch)
    (folder / "weighings.csv").write_text("piece,on,mass_g\nA1,2026-03-01,1234\n")
    assert wl.open_book(folder).weighings["mass_g"].tolist() == [1234]
    with locked(folder):
        pass
    assert wl.open_book(folder).weighings["mass_g"].tolist() == [1234]
    assert names(folder) == ["pieces.csv", "weighings.csv"]


def digest(path):
    return safe_write._digest(path)


@pytest.mark.parametrize(
    "name",
    ["../victim.txt", "{there}/victim.txt", "plan.txt", "..", "", "pieces.csv/../../victim.txt"],
)
def test_a_note_can_name_nothing_but_tables(tmp_path, name):
    folder = tmp_path / "book"
    book_of(1480).save(folder)
    for victim in (tmp_path / "victim.txt", folder / "plan.txt"):
        victim.write_text("mine")
    change = {name.format(there=tmp_path): [digest(tmp_path / "victim.txt"), None]}
    (folder / NOTE).write_text(json.dumps({"token": "0" * 16, "files": change}))
    assert len(wl.open_book(folder).weighings) == 1
    book_of(1490).save(folder)
    assert (tmp_path / "victim.txt").read_text() == "mine"
    assert names(folder) == ["pieces.csv", "plan.txt", "weighings.csv"]


@pytest.mark.parametrize(
    "note",
    [b"", b"{", b"[1]", b"null", b'{"token": 1, "files": 2}', b'{"token": "x", "files": {"a": 1}}',
     b'{"token": "0000000000000000", "files": {"pieces.csv": null}}', b"[" * 50_000, b"\xff" * 10,
     b'{"token": "0000000000000000", "files": [1, 2]}',
     b'{"token": "0000000000000000", "files": {"pieces.csv": [1, []]}}'],
)  # fmt: skip
def test_a_note_of_nonsense_is_no_note(tmp_path, note):
    folder = tmp_path / "book"
    book_of(1480).save(folder)
    (folder / NOTE).write_bytes(note)
    assert wl.open_book(folder).weighings["mass_g"].tolist() == [1480]
    book_of(1490).save(folder)
    assert wl.open_book(folder).weighings["mass_g"].tolist() == [1490]
    assert names(folder) == ["pieces.csv", "weighings.csv"]


def test_what_a_note_moves_must_be_what_it_states(tmp_path):
    folder = tmp_path / "book"
    book_of(1480).save(folder)
    (tmp_path / "secret").write_text("piece,on,mass_g\nA1,2026-03-01,5\n")
    planted = folder / f".weighings.csv.woodlab-new-{'0' * 16}"
    planted.symlink_to(tmp_path / "secret")
    change = {"weighings.csv": [digest(folder / "weighings.csv"), digest(tmp_path / "secret")]}
    (folder / NOTE).write_text(json.dumps({"token": "0" * 16, "files": change}))
    assert wl.open_book(folder).weighings["mass_g"].tolist() == [1480]
    with locked(folder):
        pass
    assert names(folder) == ["pieces.csv", "weighings.csv"]
    assert (tmp_path / "secret").exists()


def test_the_folders_of_an_earlier_way_to_save_are_other_files(tmp_path):
    folder = tmp_path / "book"
    book_of(1480).save(folder)
    (tmp_path / "victim.txt").write_text("mine")
    (folder / ".woodlab-journal").mkdir()
    (folder / ".woodlab-journal" / "complete").write_text("../victim.txt\nweighings.csv")
    book_of(1490).save(folder)
    assert (tmp_path / "victim.txt").exists()
    assert names(folder / ".woodlab-journal") == ["complete"]


def test_a_reader_reads_again_when_a_table_changes_meanwhile(tmp_path):
    book_of(1480).save(tmp_path / "book")
    seen = []

    def read(_):
        seen.append((tmp_path / "book" / "weighings.csv").read_text())
        if len(seen) < 3:
            book_of(1480 + len(seen)).save(tmp_path / "book")
        return seen[-1]

    assert "1482" in steady(tmp_path / "book", read)
    assert len(seen) == 3


def test_a_book_that_never_rests_is_told(tmp_path, monkeypatch):
    book_of(1480).save(tmp_path / "book")
    monkeypatch.setattr(safe_write, "WAIT_SECONDS", 0.0)

    def read(_):
        with locked(tmp_path / "book"):
            write_files(tmp_path / "book", {"pieces.csv": b"x"})

    with pytest.raises(WoodlabError, match="keeps writing"):
        steady(tmp_path / "book", read)


def test_readers_beside_a_writer_see_one_book_or_the_other(tmp_path):
    """Both tables change at each save: a mix would name a piece that is not in the list."""
    folder = tmp_path / "book"
    books = [_marked("A1", 3), _marked("B2", 7)]
    books[0].save(folder)
    done = threading.Event()

    def write():
        while not done.is_set():
            for book in reversed(books):
                book.save(folder)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        found = {wl.open_book(folder).hash for _ in range(60)}
    finally:
        done.set()
        writer.join()
    assert found <= {book.hash for book in books}
    assert found


def _marked(mark, weighings):
    return wl.RecordBook.from_frames(
        pieces=pd.DataFrame({"piece": [mark], "species": ["sugar maple"], "seal": ["none"],
                             "turned_on": ["2026-03-01"], "wall_mm": [22.0]}),
        weighings=pd.DataFrame(
            {"piece": mark, "on": pd.date_range("2026-03-01", periods=weighings), "mass_g": 1500.0}
        ),
    )  # fmt: skip
