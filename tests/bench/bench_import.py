"""What `import woodlab` costs beside `import pandas`, each in a fresh interpreter.

Run by hand: `python tests/bench/bench_import.py`.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from results import ratio, result


def fresh(code: str) -> None:
    subprocess.run([sys.executable, "-c", code], check=True)


def main() -> None:
    pandas = "import pandas"
    for code in ("import woodlab", "import woodlab; woodlab.open_book"):
        share = ratio(lambda code=code: fresh(code), lambda: fresh(pandas))
        result(f"`{code}`", share, "times `import pandas`", "at most 1.3")


if __name__ == "__main__":
    main()
