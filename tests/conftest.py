"""Shared by all tests: the `outside` check, which keeps what it compared for docs/checks.md."""

from __future__ import annotations

import csv
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

# The simulators of the calibration are used by tests, too; they import one another by name.
sys.path.insert(0, str(Path(__file__).parent / "bench"))
sys.path.insert(0, str(Path(__file__).parent / "pages"))  # made-up seasons for the pages
sys.path.insert(0, str(Path(__file__).parent / "article"))  # and twelve books for the article

CHECK_COLUMNS = ["test", "what", "published", "ours", "difference", "within", "source", "status"]
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
_KEPT = "outside"  # the property of a test under which its comparisons reach the report
_rows: list[dict[str, object]] = []


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--checks-csv",
        metavar="FILE",
        help="write every outside check that ran, with its source, to this CSV file",
    )

    parser.addoption(
        "--keep-articles",
        action="store_true",
        help="write the articles of the invented books anew; read the difference as prose",
    )


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "outside" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.outside)


@pytest.fixture(scope="session")
def office(tmp_path_factory: pytest.TempPathFactory):
    """`office(form, file, folder)` converts a file with the office program, or skips the test.

    An office may be installed without the part that opens sheets, or the one that opens texts.
    So a file of our own that any such part opens is tried first: only if that works, a failure
    is a failure of the test.
    """
    home = tmp_path_factory.mktemp("office")
    works: dict[tuple[str, bool], bool] = {}

    def run(form: str, file: Path, folder: Path) -> Path:
        command = ["soffice", f"-env:UserInstallation={(home / 'profile').as_uri()}", "--headless"]
        command += ["--convert-to", form, "--outdir", str(folder), str(file)]
        subprocess.run(command, capture_output=True, timeout=240, check=False)
        return folder / f"{file.stem}.{form}"

    def convert(form: str, file: Path, folder: Path) -> Path:
        if shutil.which("soffice") is None:
            pytest.skip("no office program is installed here")
        kind = (form, file.suffix in (".xlsx", ".ods", ".csv"))
        if kind not in works:
            probe = home / ("probe.csv" if kind[1] else "probe.txt")
            probe.write_text("a,b\n1,2\n")
            works[kind] = run(form, probe, home).exists()
        if not works[kind]:
            pytest.skip(f"the office program of this machine does not make {form} of {file.name}")
        made = run(form, file, folder)
        assert made.exists(), f"no {form} was made of {file.name}"
        return made

    return convert


@pytest.fixture
def outside(request: pytest.FixtureRequest):
    """Compare one of our numbers with a published one, and keep the row.

    `outside(what, published=, ours=, within=, source=, relative=False, status="seen_source")`
    fails unless |ours - published| <= within (times |published| when `relative`).
    """

    def check(
        what: str,
        *,
        published: float,
        ours: float,
        within: float,
        source: str,
        relative: bool = False,
        status: str = "seen_source",
    ) -> None:
        assert source, "an outside check names its source"
        assert status != "from_memory", "a value from memory is never an expected value"
        difference = float(ours) - float(published)
        allowed = within * abs(published) if relative else within
        row = {
            "test": request.node.nodeid.split("/")[-1], "what": what, "published": published,
            "ours": float(ours), "difference": difference, "within": allowed, "source": source,
            "status": status,
        }  # fmt: skip
        # A property of the test travels with its report, from another process too.
        request.node.user_properties.append((_KEPT, {k: _plain(v) for k, v in row.items()}))
        assert abs(difference) <= allowed, (
            f"{what}: published {published!r}, ours {ours!r}, differs by {difference:.3g}, "
            f"allowed {allowed:.3g} ({source})"
        )

    return check


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of reference files that stands beside some checkouts; skips where absent."""
    folder = Path(__file__).resolve().parents[2] / "shared"
    if not folder.is_dir():
        pytest.skip("the reference folder `shared` is not beside this checkout")
    return folder


def _plain(value: object) -> object:
    return value.item() if hasattr(value, "item") else value


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.when == "call":
        _rows.extend(row for name, row in report.user_properties if name == _KEPT)


def pytest_sessionfinish(session: pytest.Session) -> None:
    target = session.config.getoption("--checks-csv")
    if target and not hasattr(session.config, "workerinput"):
        with open(target, "w", newline="", encoding="utf-8") as handle:
            writer = csv.DictWriter(handle, CHECK_COLUMNS)
            writer.writeheader()
            writer.writerows(_rows)


def chromium_path():
    return shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def browser():
    """Debian's chromium, driven by playwright; skips, saying so, where either is absent."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed: no page was opened"
    )
    path = chromium_path()
    if path is None:
        pytest.skip("there is no chromium on this machine: no page was opened")
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield opened
        opened.close()
