"""Every way in, with hostile and broken input: an answer or a fault in words, within bounds.

A child process under limits of time and memory tries each case; see `cases.judge` for what must
hold: nothing lost, nothing strayed, files unchanged, and what is saved reads back.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import cases  # noqa: E402

FUZZED = 120
NAMES = [*cases.csv_cases(), *cases.workbook_cases()]


def run_worker(*arguments: object) -> dict[str, list]:
    command = [sys.executable, str(HERE / "worker.py"), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=1800)
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, f"stopped after {len(rows)} cases: {done.stderr[-2000:]}"
    return {row[0]: row[1:] for row in rows}


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory):
    return run_worker("cases", tmp_path_factory.mktemp("cases"))


def test_no_case_is_missing(outcomes):
    assert list(outcomes) == NAMES
    assert len(NAMES) == len(cases.csv_cases()) + len(cases.workbook_cases())  # names differ


@pytest.mark.parametrize("name", NAMES)
def test_case(outcomes, name):
    wanted, outcome, message, seconds = outcomes[name]
    assert outcome != "broken", message
    if wanted != "either":
        assert outcome == wanted, message
    assert "Traceback" not in message
    assert seconds < 60


def test_fuzzed_books_give_an_answer_or_a_fault(tmp_path):
    outcomes = run_worker("fuzz", tmp_path, 0, FUZZED)
    assert len(outcomes) == FUZZED
    broken = {name: row[2] for name, row in outcomes.items() if row[1] == "broken"}
    assert not broken
    # A fuzzer that only ever breaks everything, or nothing, tries nothing.
    assert 0 < sum(row[1] == "answer" for row in outcomes.values()) < FUZZED
