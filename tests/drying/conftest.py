"""The books that these tests share are made in `small_books`, which they import by name."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
