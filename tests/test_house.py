"""The house itself: import directions, sizes, public names, notebooks that prove something."""

import ast
import dataclasses
import doctest
import inspect
import operator
import re
import textwrap
from pathlib import Path

import nbformat
import pytest

import woodlab as wl
from woodlab.book.tables import book_glossary
from woodlab.errors import WoodlabError

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "woodlab"
MODULES = sorted(PACKAGE.rglob("*.py"))
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))

# What each room may import from, itself included. `app` and `season` may use everything.
SHARED = {"errors", "show", "show_table", "words", "safe_write"}
MAY_IMPORT = {
    "errors": set(),
    "words": set(),
    "show": {"errors", "words"},
    "show_table": {"errors", "show", "words"},
    "safe_write": {"errors", "book"},  # of the book, the names of its tables
    "wood": {*SHARED, "wood"},
    "book": {*SHARED, "wood", "book"},
    "drying": {*SHARED, "wood", "book", "drying"},
    "studies": {*SHARED, "wood", "book", "drying", "studies"},
    "round": {*SHARED, "wood", "book", "drying", "studies", "week", "round"},
    "week": {*SHARED, "wood", "book", "drying", "studies", "week"},
    "charts": {*SHARED, "charts"},
    # Of the pages, what counts as dry, cracked and thick: one reckoning for both.
    "article": {*SHARED, "wood", "book", "drying", "studies", "charts", "week", "pages", "article"},
    "pages": {*SHARED, "wood", "book", "drying", "studies", "charts", "week", "pages"},
    "demo": {"errors", "wood", "book", "drying", "studies", "demo_seasons"},
    "demo_seasons": {"errors", "wood", "book", "drying", "studies", "demo"},
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


PUBLIC = [*wl.__all__, *(f"charts.{name}" for name in wl.charts.__all__)]


def public(name):
    return operator.attrgetter(name)(wl)


def sections(thing):
    """The parts of a docstring by their headings."""
    parts = re.split(r"^(\w+)\n-{3,}\n", inspect.getdoc(thing) or "", flags=re.M)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def entries(section):
    """Each name that a section describes, with its words; `a, b : float` are two names."""
    found, names = {}, []
    for line in section.splitlines():
        if line and not line.startswith(" "):
            head, _, line = line.partition(" : ")
            names = [name.strip("* ") for name in head.split(",")]
            found |= dict.fromkeys(names, "")
        for name in names:
            found[name] += f"{line}\n"
    return found


def mentions(source, name, *, called):
    """Whether code has the name in it, or calls it; an import alone does neither."""
    nodes = list(ast.walk(ast.parse(source)))
    heads = [node.func for node in nodes if isinstance(node, ast.Call)] if called else nodes
    return any(name in (getattr(node, "id", None), getattr(node, "attr", None)) for node in heads)


def raised(thing):
    """The kit's errors that the code of a function raises itself; of a class, when it is made."""
    codes = [thing]
    if isinstance(thing, type):
        codes = [vars(thing).get(name) for name in ("__init__", "__post_init__")]
    for code in codes:
        if not inspect.isfunction(code) or code.__code__.co_filename == "<string>":
            continue  # not there, or written by dataclass
        for node in ast.walk(ast.parse(textwrap.dedent(inspect.getsource(code)))):
            head = node.exc if isinstance(node, ast.Raise) else None
            error = code.__globals__.get(getattr(getattr(head, "func", head), "id", None))
            if isinstance(error, type) and issubclass(error, WoodlabError):
                yield error.__name__


def owed(name, thing):
    """What the docstring of a public thing still owes its reader, in words."""
    name, parts = name.split(".")[-1], sections(thing)
    pages = doctest.DocTestFinder(recurse=False).find(thing, name)
    live = [e for page in pages for e in page.examples if not e.options.get(doctest.SKIP)]
    shown = [example for example in live if example.want]
    if isinstance(thing, type) and issubclass(thing, Exception):
        if not any(name in example.source + example.want for example in shown):
            yield "a live example that shows it raised or made"
    elif not shown or not any(
        mentions(example.source, name, called=inspect.isfunction(thing)) for example in live
    ):
        yield "a live example that uses it and shows a result"
    told = entries(parts.get("Parameters", ""))
    for parameter in inspect.signature(thing).parameters if inspect.isfunction(thing) else ():
        see = re.match(r"\s*as (?:for|in) `([\w.]+)`", told.get(parameter, ""), re.I)
        there = see[1] if see and hasattr(wl, see[1]) else f"charts.{see[1]}" if see else None
        if parameter not in told:
            yield f"the parameter {parameter}"
        elif there and parameter not in entries(sections(public(there)).get("Parameters", "")):
            yield f"the parameter {parameter}, which {there} does not describe either"
    returned = inspect.signature(thing).return_annotation if inspect.isfunction(thing) else "None"
    if returned != "None" and not parts.get("Returns", "").strip():
        yield "what it returns"
    told = entries(parts.get("Attributes", ""))
    for field in dataclasses.fields(thing) if dataclasses.is_dataclass(thing) else ():
        if field.name not in told and not field.name.startswith("_"):
            yield f"the attribute {field.name}"
    told = entries(parts.get("Raises", ""))
    yield from (f"that it raises {error}" for error in set(raised(thing)) - set(told))


@pytest.mark.parametrize("name", PUBLIC)
def test_a_public_docstring_owes_nothing(name):
    thing = public(name)
    assert (thing.__doc__ or "").strip()
    assert list(owed(name, thing)) == []


def weigh(piece: str, size: str) -> float:
    """Weigh a piece.

    Parameters
    ----------
    size
        As for `themed`.

    Examples
    --------
    >>> from operator import add as weigh
    >>> 2 + 2
    4
    >>> weigh("A1")                                                   # doctest: +SKIP
    """
    raise WoodlabError(piece)


def test_what_a_docstring_owes_is_seen():
    assert sorted(owed("weigh", weigh)) == [
        "a live example that uses it and shows a result",
        "that it raises WoodlabError",
        "the parameter piece",
        "what it returns",
    ]


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


@pytest.mark.parametrize("room", ["book", "drying", "studies"])
def test_the_map_of_a_large_room_has_every_module_once(room):
    text = ast.get_docstring(ast.parse((PACKAGE / room / "__init__.py").read_text("utf-8")))
    lines = text.partition("Where a thing is")[2].splitlines()
    words = re.findall(r"[a-z_]+", re.sub(r"\([^)]*\)", "", "\n".join(line[21:] for line in lines)))
    for path in (PACKAGE / room).glob("*.py"):
        if path.stem != "__init__":
            assert words.count(path.stem) == 1, path.stem


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


# What a cell of a notebook may not hold: whether and how a result can answer is the result's own.
GUARDS = (
    ast.If, ast.IfExp, ast.For, ast.While, ast.Try, ast.With, ast.FunctionDef, ast.ClassDef,
    ast.ListComp, ast.GeneratorExp, ast.Lambda, ast.Assert,
)  # fmt: skip


def faults_of_cell(source, proof=False):
    """What keeps a cell from being a name or one call, after some assignments."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, GUARDS):
            yield f"line {node.lineno}: {type(node).__name__}"
        called = getattr(node.func, "id", None) if isinstance(node, ast.Call) else None
        if called in ("print", "display") and not proof:
            yield f"line {node.lineno}: {called}()"
        if isinstance(node, ast.Attribute) and node.attr == "to_string" and not proof:
            yield f"line {node.lineno}: to_string"
    if not proof and sum(isinstance(node, ast.Expr) for node in tree.body) > 1:
        yield "more than one thing shown"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_cell_is_a_name_or_one_call(path):
    code = [c for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
    for number, cell in enumerate(code):
        tags = cell.metadata.get("tags", [])
        if "parameters" not in tags:
            found = list(faults_of_cell(cell.source, "keep_output" in tags))
            assert not found, (number, found)
    assert len(code) <= 22


def test_guards_in_a_cell_are_seen():
    assert list(faults_of_cell("if study:\n    print(study)")) == ["line 1: If", "line 2: print()"]
    assert list(faults_of_cell("frame.to_string()")) == ["line 1: to_string"]
    assert list(faults_of_cell("print(frame.to_string())", proof=True)) == []
    assert list(faults_of_cell("study\nstudy")) == ["more than one thing shown"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_opens_with_its_answer_and_ends_with_the_reader_s_question(path):
    cells = nbformat.read(path, as_version=4).cells
    kinds = [cell.cell_type for cell in cells]
    assert kinds[:3] == ["markdown", "code", "code"]
    assert cells[0].source.startswith("# ")
    assert cells[0].source.splitlines()[0].endswith("?"), "the heading asks what the page answers"
    asked = [cell.source for cell in cells if cell.cell_type == "markdown"]
    assert "## Your question here" in asked[-1]
    assert kinds[-1] == "code"


def test_no_file_names_a_registry_or_a_path_of_one_machine():
    hosts = ["pyp" + "i.org", "pythonhosted", "registry.np" + "mjs", "deb.debian" + ".org"]
    private = re.compile(r"/(work|root|farm)/[a-z]")
    for path in [*ROOT.rglob("*.md"), *MODULES, *NOTEBOOKS, ROOT / "constraints.txt"]:
        if ".venv" in path.parts:
            continue
        text = path.read_text(encoding="utf-8")
        assert not any(host in text for host in hosts), path
        assert not private.search(text), path
