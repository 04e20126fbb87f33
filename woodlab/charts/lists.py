"""Lists that a reader can sort: a frame in, a table of HTML out, with no network and no library.

Where scripts do not run (a printed page, a viewer of untrusted notebooks) it is a plain table in
the order of the frame. Text from a book is never markup.
"""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

_STYLE = """<style>
.woodlab-list {font-size: .85em; overflow: auto; max-height: 44em}
.woodlab-list table {border-collapse: collapse}
.woodlab-list p {margin: .3em 0}
.woodlab-list td, .woodlab-list th {text-align: left; vertical-align: top; padding: .25em .6em;
  border: 0; border-bottom: 1px solid #ccc}
.woodlab-list td:last-child {min-width: 20em}
.woodlab-list thead th {position: sticky; top: 0; background: Canvas; color: CanvasText}
.woodlab-list button {font: inherit; color: inherit; background: none; border: 0; padding: 0}
.woodlab-list [aria-sort=ascending] button::after {content: " \\2191"}
.woodlab-list [aria-sort=descending] button::after {content: " \\2193"}
@media print {.woodlab-list label {display: none} .woodlab-list {max-height: none}}
</style>"""

# Rows are moved, not made again; what is absent stays last in either direction. Numbers of one
# column have the same decimals and dates are written from the year on, so that text sorts them.
_SORT = """<script>document.querySelectorAll(".woodlab-list:not([data-sorts])").forEach(host => {
  host.dataset.sorts = "yes";
  const body = host.querySelector("tbody"), heads = [...host.querySelectorAll("thead th")];
  heads.forEach((head, at) => {
    const button = document.createElement("button");
    button.title = "Sort by this column; again for the other way";
    button.textContent = head.textContent;
    head.replaceChildren(button);
    button.onclick = () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      heads.forEach(other => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const key = row => row.cells[at].textContent;
      [...body.rows].sort((a, b) => !key(a) - !key(b) || (up ? 1 : -1) * key(a).localeCompare(
        key(b), undefined, {numeric: true})).forEach(row => body.append(row));
    };
  });
  const label = document.createElement("label"), box = document.createElement("input");
  const count = document.createElement("output");
  box.type = "search";
  label.append("Only rows with ", box, count);
  box.oninput = () => {
    const wanted = box.value.toLowerCase().split(/\\s+/), rows = [...body.rows];
    rows.forEach(row => {
      const text = [...row.cells].map(cell => cell.textContent).join(" ").toLowerCase();
      row.hidden = !wanted.every(word => text.includes(word));
    });
    const shown = rows.filter(row => !row.hidden).length;
    count.textContent = box.value ? ` ${shown} of ${rows.length}` : "";
  };
  host.prepend(label);
});</script>"""


@dataclass(frozen=True, eq=False)
class SortableList:
    """A frame as a table whose headings sort it when they are clicked.

    Attributes
    ----------
    frame : DataFrame
        What is shown, in its first order: a column a heading.
    formats : mapping
        Of a heading, how its numbers are written (`{:.1f}`).
    caption : str

    Examples
    --------
    >>> frame = pd.DataFrame({"Piece": ["A1", "<b>"], "Moisture [%]": [12.34, float("nan")]})
    >>> page = SortableList(frame, {"Moisture [%]": "{:.1f}"})._repr_html_()
    >>> "12.3" in page, "&lt;b&gt;" in page, "nan" in page.lower()
    (True, True, False)
    """

    frame: pd.DataFrame
    formats: Mapping[str, str] = field(default_factory=dict)
    caption: str = ""

    def __repr__(self) -> str:
        return str(self.frame.to_string(index=False))

    def _repr_html_(self) -> str:
        shown = self.frame.copy()
        for name in shown:
            form = self.formats.get(name, "{:%Y-%m-%d}" if shown[name].dtype.kind == "M" else "{}")
            shown[name] = ["" if pd.isna(value) else form.format(value) for value in shown[name]]
        table = shown.to_html(index=False, border=0, justify="left")
        table = table.replace("<th>", '<th scope="col">')
        said = f"<p>{html.escape(self.caption)}</p>" if self.caption else ""
        return f'{_STYLE}<div class="woodlab-list">{said}{table}</div>{_SORT}'
