"""The house itself: import directions, sizes, public names, notebooks that prove something."""

import ast
import re
from pathlib import Path

import nbformat
import pytest

import woodlab as wl
from woodlab.book.glossary import book_glossary

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "woodlab"
MODULES = sorted(PACKAGE.rglob("*.py"))
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))

# What each room may import from, itself included. `app` and `season` may use everything.
MAY_IMPORT = {
    "errors": set(),
    "wood": {"errors", "wood"},
    "book": {"errors", "wood", "book"},
    "drying": {"errors", "wood", "book", "drying"},
    "studies": {"errors", "wood", "book", "drying", "studies"},
    "charts": {"errors", "charts"},
    "article": {"errors", "wood", "book", "drying", "studies", "charts", "article"},
    "demo": {"errors", "wood", "book", "drying", "studies"},
    "proof": {"errors"},
}


def imported(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


def room_of(path):
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_data_walks_one_way(path):
    room = room_of(path)
    names = list(imported(path))
    rooms = {name.split(".")[1] for name in names if re.match(r"woodlab\.\w", name)}
    if room in MAY_IMPORT:
        assert rooms <= MAY_IMPORT[room], f"{room} imports {rooms - MAY_IMPORT[room]}"
    if room != "charts":
        assert not any(name.split(".")[0] == "altair" for name in names)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_module_stays_readable(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 450


def test_every_public_name_is_there_and_documented():
    for name in wl.__all__:
        thing = getattr(wl, name)
        assert (thing.__doc__ or "").strip(), name


def test_importing_the_package_loads_no_room():
    import subprocess
    import sys

    code = "import sys, woodlab; print([m for m in sys.modules if m.startswith('woodlab.')])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


def test_the_glossary_has_every_column_of_the_book_as_it_is_defined():
    page = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    assert book_glossary() in page


PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_link_of_a_page_leads_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)[)#]", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), target


def test_there_are_nine_notebooks():
    assert [path.stem[0] for path in NOTEBOOKS] == list("123456789")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_proves_something_and_defines_nothing(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert "parameters" in code[0].metadata.get("tags", [])
    proofs = [
        cell
        for cell in code
        if {"keep_output", "nbval-check-output"} <= set(cell.metadata.get("tags", []))
    ]
    assert proofs
    assert all(any(output.get("text", "").strip() for output in cell.outputs) for cell in proofs), (
        "a tagged cell has no stored output, so nothing would be compared"
    )
    others = [cell for cell in code if cell not in proofs]
    assert not any(cell.outputs for cell in others), "strip the other cells' outputs"
    assert not any(re.search(r"^\s*(def|class) ", cell.source, re.M) for cell in code)


def test_no_file_names_a_registry_or_a_path_of_one_machine():
    hosts = ["pyp" + "i.org", "pythonhosted", "registry.np" + "mjs", "deb.debian" + ".org"]
    private = re.compile(r"/(work|root|farm)/[a-z]")
    for path in [*ROOT.rglob("*.md"), *MODULES, *NOTEBOOKS, ROOT / "constraints.txt"]:
        if ".venv" in path.parts:
            continue
        text = path.read_text(encoding="utf-8")
        assert not any(host in text for host in hosts), path
        assert not private.search(text), path
