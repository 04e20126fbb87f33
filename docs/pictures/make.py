"""Make the pages' pictures: `python docs/pictures/make.py` all of them, `... make.py slab` one.

A law's picture is in `laws.py`. Printed is the line that shows it on its page, alt text included.
The picture's file carries the means of its numbers. Tests hold all of them together, so that none
is left behind when a law changes.
"""

from __future__ import annotations

import json
import struct
import sys
import zlib
from pathlib import Path

HERE = Path(__file__).parent
SIGNATURE = b"\x89PNG\r\n\x1a\n"
sys.path.insert(0, str(HERE))

import laws  # noqa: E402

import woodlab as wl  # noqa: E402
from woodlab.pages.facts import gather  # noqa: E402

SEASON_DAY = "2025-06-10"


def season_chart():
    """The README's picture: the invented season at a glance."""
    book = wl.open_book(HERE.parents[1] / "data_demo")
    facts = gather(book, SEASON_DAY)
    return wl.charts.season_at_a_glance(facts.bowls, facts.curves, facts.seals.effects)


def law_picture(law: str):
    """The frames of a law's picture, and its chart."""
    return getattr(laws, law)()


def means(frames) -> dict[str, dict[str, float]]:
    """Of each frame and column of numbers in a picture."""
    return {name: frame.mean(numeric_only=True).to_dict() for name, frame in frames.items()}


def line_for_page(law: str, alt: str) -> str:
    return f"![{alt}](../pictures/law_{law}.png)"


def save(chart, path: Path, note: str = "") -> None:
    """The same pixels in a third of the bytes: the converter packs for speed."""
    wl.charts.save_chart(chart, path, ppi=150)
    parts = chunks(path.read_bytes())
    pixels = zlib.decompress(b"".join(body for kind, body in parts if kind == b"IDAT"))
    before = [part for part in parts if part[0] not in (b"IDAT", b"IEND")]
    if note:
        before.append((b"tEXt", b"Comment\0" + note.encode("ascii")))
    parts = [*before, (b"IDAT", zlib.compress(pixels, 9)), (b"IEND", b"")]
    path.write_bytes(SIGNATURE + b"".join(_packed(*part) for part in parts))


def chunks(png: bytes) -> list[tuple[bytes, bytes]]:
    """The kind and the body of each chunk of a PNG."""
    found, at = [], len(SIGNATURE)
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        found.append((png[at + 4 : at + 8], png[at + 8 : at + 8 + length]))
        at += 12 + length
    return found


def _packed(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def make(name: str, folder: Path = HERE) -> None:
    if name == "season":
        chart = season_chart()
        save(chart, folder / "season.png")
        print(f"![{chart.description}](docs/pictures/season.png)")
        return
    frames, chart = law_picture(name)
    save(chart, folder / f"law_{name}.png", note=json.dumps(means(frames)))
    print(line_for_page(name, chart.description))


def main(names: list[str]) -> int:
    known = ["season", *wl.laws.LAWS]
    unknown = [name for name in names if name not in known]
    if unknown:
        print(f"no picture {', '.join(unknown)}; there are {', '.join(known)}", file=sys.stderr)
        return 2
    for name in names or known:
        make(name)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
