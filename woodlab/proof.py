"""The outside checks: our numbers against published ones, run on this machine by the tests.

`python -m woodlab.proof docs/checks.md` writes the page, `--check` tells whether it is current. A
second name is that of rows which a run of the tests kept (`pytest --checks-csv FILE`).
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import pandas as pd

from woodlab.errors import WoodlabError, WorkError

HEADER = """# Outside checks

Each row is one of our numbers beside a published one. The tests make this page
(`python -m woodlab.proof docs/checks.md`); notebook 9 runs the same tests on your machine.
`status` says how the published number was seen: in the named publication (`seen_source`), or in
a work that quotes it (`seen_secondary`). `within` is the difference that the test allows.

"""


def outside_checks(tests: str | Path | None = None) -> pd.DataFrame:
    """Run every test that compares with a published number; one row a comparison.

    Parameters
    ----------
    tests : str or Path, optional
        The folder of the tests; by default the one beside the package in a checkout.

    Returns
    -------
    DataFrame
        `test`, `what`, `published`, `ours`, `difference`, `within`, `source`, `status`, `passed`.

    Raises
    ------
    WoodlabError
        If the tests are not there (an installed copy has none) or pytest is not installed.
    WorkError
        If the tests could not be run.

    Examples
    --------
    >>> import woodlab as wl
    >>> rows = wl.outside_checks()                                    # doctest: +SKIP
    >>> wl.outside_checks("no folder of this name")
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: The tests are not beside this copy of woodlab. Get the project's
    folder and install it with ...
    """
    root = Path(__file__).resolve().parents[1]
    folder = root / "tests" if tests is None else Path(tests)
    if not folder.is_dir():
        raise WoodlabError(
            "The tests are not beside this copy of woodlab. Get the project's folder and install "
            "it with `pip install -e '.[test]'`."
        )
    with tempfile.TemporaryDirectory() as place:
        target = Path(place) / "checks.csv"
        command = [
            sys.executable, "-m", "pytest", str(folder), "-q", "-m", "outside",
            "--checks-csv", str(target), "-p", "no:cacheprovider",
        ]  # fmt: skip
        run = subprocess.run(command, capture_output=True, text=True, cwd=folder.parent)
        if run.returncode not in (0, 1) or not target.exists():
            said = "\n".join((run.stdout + run.stderr).strip().splitlines()[-8:])
            raise WorkError(f"The tests could not be run:\n{said or 'no output'}")
        return _rows(target)


def _rows(kept: Path) -> pd.DataFrame:
    rows = pd.read_csv(kept)
    return rows.assign(passed=rows["difference"].abs() <= rows["within"])


def checks_page(rows: pd.DataFrame) -> str:
    """The rows as a Markdown page."""
    lines = [
        HEADER,
        f"{len(rows)} values from {rows['source'].nunique()} sources.\n\n",
        "| what | published | ours | difference | within | source | status |\n",
        "|---|---|---|---|---|---|---|\n",
    ]
    forms = ("{}", "{:.10g}", "{:.10g}", "{:.1e}", "{:.1e}", "{}", "{}")
    columns = ["what", "published", "ours", "difference", "within", "source", "status"]
    for row in rows.sort_values(["source", "what"])[columns].itertuples(index=False):
        cells = (form.format(value) for form, value in zip(forms, row, strict=True))
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |\n")
    return "".join(lines)


def not_on_page(rows: pd.DataFrame, page: str) -> set[tuple[str, str, str]]:
    """Comparisons (what, published, source) that ran and that the page does not list.

    Our digits may differ between machines, and a test that needs a file beside the checkout skips
    where that is absent: a page may list more than ran here, never less.
    """

    def compared(text: str) -> set[tuple[str, str, str]]:
        cells = [line.split(" | ") for line in text.splitlines() if line.startswith("| ")]
        return {(row[0][2:], row[1], row[5]) for row in cells[1:] if len(row) == 7}

    return compared(checks_page(rows)) - compared(page)


def main(arguments: list[str] | None = None) -> int:
    """Write the page, or with `--check` compare it; exit code 1 when it is not current."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    check = "--check" in words
    name, *kept = [word for word in words if word != "--check"]
    rows = _rows(Path(kept[0])) if kept else outside_checks()
    if not check:
        Path(name).write_text(checks_page(rows), encoding="utf-8")
        return 0
    absent = not_on_page(rows, Path(name).read_text(encoding="utf-8"))
    for what, published, source in sorted(absent):
        print(f"not on {name}: {what}, {published} ({source})")
    print(f"{len(rows)} comparisons; {name} {'is out of date' if absent else 'lists them'}")
    return 0 if not absent and bool(rows["passed"].all()) else 1


if __name__ == "__main__":
    sys.exit(main())
