"""The commands as a user runs them: exit codes, messages, and what is (not) written."""

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

import woodlab as wl
from woodlab import app, season
from woodlab.season import SeasonOptions, run_season

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "data_demo"


def write_book(folder, masses="1480"):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "pieces.csv").write_text(
        "piece,species,turned_on,wall_mm,seal\nA1,sugar maple,2026-03-01,25,none\n"
    )
    (folder / "weighings.csv").write_text(f"piece,on,mass_g\nA1,2026-03-01,{masses}\n")
    return folder


def test_a_fault_ends_with_code_2_and_nothing_written(tmp_path, capsys):
    book = write_book(tmp_path / "book", masses="minus five")
    out = tmp_path / "season"
    assert app.main(["season", str(book), "--out", str(out)]) == 2
    said = capsys.readouterr().err
    assert "weighings, row 2, column mass_g: not a number (found 'minus five')" in said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["book"]


def test_check_lists_doubts(capsys):
    assert app.main(["check", str(DEMO)]) == 0
    said = capsys.readouterr().out
    assert "a slip of the decimal point?" in said
    assert "weighings" in said


def test_no_book_is_said_in_one_line(tmp_path, capsys):
    assert app.main(["check", str(tmp_path / "nothing")]) == 2
    said = capsys.readouterr().err
    assert said.startswith("woodlab: There is no record book at")
    assert len(said.splitlines()) == 1


def test_demo_writes_a_book_that_opens(tmp_path):
    assert app.main(["demo", str(tmp_path / "demo"), "--seed", "7"]) == 0
    assert len(wl.open_book(tmp_path / "demo").pieces) > 80


def test_the_command_is_installed():
    run = subprocess.run(
        [sys.executable, "-m", "woodlab.app", "--help"], capture_output=True, text=True, check=True
    )
    for command in ("season", "check", "blank", "from-sheet", "round", "add", "demo"):
        assert command in run.stdout


def test_python_runs_the_package_as_the_command():
    run = subprocess.run([sys.executable, "-m", "woodlab"], capture_output=True, text=True)
    assert run.returncode == 2
    assert run.stderr.startswith("usage: woodlab ")
    assert "Traceback" not in run.stderr


def test_the_round_of_a_book_without_pieces_is_said_in_words(tmp_path, capsys):
    assert app.main(["blank", str(tmp_path / "new.xlsx")]) == 0
    capsys.readouterr()
    assert app.main(["round", str(tmp_path / "new.xlsx"), "--on", "2026-03-09"]) == 0
    assert capsys.readouterr().out == "No piece is on the shelf on 9 March 2026.\n"


def test_the_round_fits_a_window_and_says_why(tmp_path, capsys):
    book = write_book(tmp_path / "book", masses="1480.123456")
    assert app.main(["round", str(book), "--on", "2026-03-09"]) == 0
    said = capsys.readouterr().out
    assert "never looked at" in said
    assert "1480.123" not in said
    assert max(map(len, said.splitlines()[-2:])) < 160


def test_a_mark_in_other_capitals_is_recognised(tmp_path, capsys):
    book = write_book(tmp_path / "book")
    (tmp_path / "new.csv").write_text("piece,on,mass_g\na 1,2026-03-09,1400\n")
    assert app.main(["add", str(book), "weighings", str(tmp_path / "new.csv")]) == 2
    assert "Is it 'A1'?" in capsys.readouterr().err


@pytest.fixture(scope="module")
def one_notebook(tmp_path_factory):
    """A season of notebook 1 alone: the whole chain, quickly."""
    out = tmp_path_factory.mktemp("out") / "season"
    run_season(DEMO, out, SeasonOptions(notebooks=("1",), progress=False))
    return out


def test_the_first_page_answers_and_every_page_leads_back_to_it(one_notebook):
    page = (one_notebook / "index.html").read_text(encoding="utf-8")
    said = re.sub(r"<[^>]+>", "", re.search(r'<p class="answer">.*?</p>', page, re.S)[0])
    assert re.match(r"(\d+|None) dry enough", said)
    assert "Odd weights:" in page
    assert page.index("article.html") < page.index("article.pdf") < page.index("article.json")
    assert "The check of the records" in page
    assert "Ready: every bowl" not in page  # no notebook 3 was run: no dead link
    for name, target in (("1_open_and_check.html", "index.html"), ("evidence.html", "index.html"),
                         ("article/article.html", "../index.html")):  # fmt: skip
        assert f'href="{target}"' in (one_notebook / name).read_text(encoding="utf-8")


def test_a_season_has_notebooks_pages_and_the_article(one_notebook):
    names = {path.name for path in one_notebook.iterdir()}
    assert {"1_open_and_check.ipynb", "1_open_and_check.html", "index.html"} <= names
    written = nbformat.read(one_notebook / "1_open_and_check.ipynb", as_version=4)
    assert any("pieces" in str(cell.get("outputs", "")) for cell in written.cells)
    article = {path.suffix for path in (one_notebook / "article").iterdir()}
    assert {".md", ".docx", ".html", ".pdf"} <= article
    made = json.loads((one_notebook / "season.json").read_text())
    assert made["hash"] == wl.open_book(DEMO).hash


def test_pages_name_no_address_to_load_from(one_notebook):
    for page in one_notebook.rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert 'src="http' not in text, page
        assert "<link" not in text or 'href="http' not in text, page


def test_a_second_run_replaces_the_first(one_notebook, tmp_path):
    out = tmp_path / "season"
    shutil.copytree(one_notebook, out)
    (out / "left_over.txt").write_text("of the earlier run")
    run_season(DEMO, out, SeasonOptions(notebooks=(), progress=False))
    assert not (out / "left_over.txt").exists()
    assert (out / "index.html").exists()


def test_a_folder_that_is_not_ours_is_left_alone(tmp_path):
    (tmp_path / "thesis.txt").write_text("years of work")
    with pytest.raises(wl.WoodlabError, match="holds other files"):
        run_season(DEMO, tmp_path, SeasonOptions(progress=False))
    assert (tmp_path / "thesis.txt").read_text() == "years of work"


def test_the_book_itself_is_never_the_target(tmp_path):
    book = write_book(tmp_path / "book")
    for out in (book, book / "season", tmp_path):
        with pytest.raises(wl.WoodlabError, match=r"Choose (another|a new)"):
            run_season(book, out, SeasonOptions(progress=False))


def test_a_notebook_that_fails_names_its_cell_and_changes_nothing(tmp_path, monkeypatch):
    notebooks = tmp_path / "notebooks"
    notebooks.mkdir()
    broken = nbformat.v4.new_notebook()
    parameters = nbformat.v4.new_code_cell("book_path = as_of = None")
    parameters.metadata["tags"] = ["parameters"]
    broken.cells = [parameters, nbformat.v4.new_code_cell("1 / 0")]
    broken.metadata["kernelspec"] = {"name": "python3", "display_name": "", "language": "python"}
    nbformat.write(broken, notebooks / "1_broken.ipynb")
    monkeypatch.setattr(season, "notebook_folder", lambda: notebooks)
    out = tmp_path / "season"
    with pytest.raises(wl.WoodlabError, match=r"1_broken.ipynb stopped in cell 2 .*division by"):
        run_season(DEMO, out, SeasonOptions(progress=False))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["notebooks"]
