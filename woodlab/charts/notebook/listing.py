"""Lists that a reader can sort: a frame in, a table of HTML out, with no network and no library.

Where scripts do not run (a printed page, a viewer of untrusted notebooks) it is a plain table in
the order of the frame. Text from a book is never markup.
"""

from __future__ import annotations

import html
import uuid
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

_STYLE = """<style>
.woodlab-list table {border-collapse: collapse; font-size: 0.85em; margin: 0.5em 0}
.woodlab-list caption {text-align: left; padding: 0.3em 0}
.woodlab-list th, .woodlab-list td {text-align: left; vertical-align: top; padding: 0.25em 0.6em;
  border-bottom: 1px solid #ccc; white-space: normal}
.woodlab-list td.number, .woodlab-list th.number {text-align: right}
.woodlab-list td.number {white-space: nowrap}
.woodlab-list td.date {white-space: nowrap}
.woodlab-list td.text:last-child {min-width: 20em}
.woodlab-list .rows {overflow: auto; max-height: 44em}
.woodlab-list thead th {position: sticky; top: 0; background: Canvas; color: CanvasText}
.woodlab-list th {border-bottom: 2px solid #555}
.woodlab-list th button {font: inherit; font-weight: bold; color: inherit; background: none;
  border: 0; padding: 0; text-align: inherit; cursor: pointer}
.woodlab-list th[aria-sort=ascending] button::after {content: " \\2191"}
.woodlab-list th[aria-sort=descending] button::after {content: " \\2193"}
@media print {.woodlab-list label {display: none} .woodlab-list .rows {max-height: none}}
</style>"""

# Rows are moved, not made again; what is absent stays last in either direction.
_SORT = """<script>(function () {
var tries = 0;
function dress() {
  var hosts = document.querySelectorAll('[data-woodlab-list="%(name)s"]');
  if (hosts.length === 0) {
    tries += 1;
    if (tries < 600) { setTimeout(dress, 100); }
    return;
  }
  hosts.forEach(function (host) {
    if (host.dataset.state) { return; }
    host.dataset.state = "sortable";
    var body = host.querySelector("tbody"), heads = host.querySelectorAll("thead th");
    function key(row, at) {
      var cell = row.children[at], value = cell.dataset.value;
      return value === undefined ? cell.textContent : value;
    }
    heads.forEach(function (head, at) {
      var button = document.createElement("button");
      button.type = "button";
      button.title = "Sort by this column; again for the other way";
      button.textContent = head.textContent;
      head.textContent = "";
      head.appendChild(button);
      head.style.cursor = "pointer";
      head.addEventListener("click", function () {
        var up = head.getAttribute("aria-sort") !== "ascending";
        var number = head.className === "number";
        heads.forEach(function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        Array.from(body.rows).sort(function (a, b) {
          var x = key(a, at), y = key(b, at);
          if (x === "" || y === "") { return (x === "" ? 1 : 0) - (y === "" ? 1 : 0); }
          var order = number ? Number(x) - Number(y)
            : x.localeCompare(y, undefined, {numeric: true, sensitivity: "base"});
          return up ? order : -order;
        }).forEach(function (row) { body.appendChild(row); });
      });
    });
    var label = document.createElement("label"), box = document.createElement("input");
    var count = document.createElement("output");
    label.textContent = "Only rows with ";
    box.type = "search";
    label.appendChild(box);
    label.appendChild(count);
    box.addEventListener("input", function () {
      var wanted = box.value.toLowerCase().split(/\\s+/), shown = 0;
      Array.from(body.rows).forEach(function (row) {
        var cells = Array.from(row.cells).map(function (cell) { return cell.textContent; });
        var text = cells.join(" ").toLowerCase();
        row.hidden = wanted.some(function (word) { return text.indexOf(word) < 0; });
        shown += row.hidden ? 0 : 1;
      });
      count.textContent = box.value ? " " + shown + " of " + body.rows.length : "";
    });
    host.insertBefore(label, host.firstChild);
  });
}
dress();
})();</script>"""


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
    >>> "12.3" in page, "&lt;b&gt;" in page, "nan" in page
    (True, True, False)
    """

    frame: pd.DataFrame
    formats: Mapping[str, str]
    caption: str = ""

    def __repr__(self) -> str:
        return str(self.frame.to_string(index=False))

    def _repr_html_(self) -> str:
        name = uuid.uuid4().hex
        kinds = [_kind(self.frame[column]) for column in self.frame.columns]
        heads = "".join(
            f'<th scope="col" class="{kind}">{html.escape(str(column))}</th>'
            for column, kind in zip(self.frame.columns, kinds, strict=True)
        )
        writers = [self.formats.get(column, "{}") for column in self.frame.columns]
        rows = "".join(
            "<tr>" + "".join(map(_cell, row, kinds, writers)) + "</tr>"
            for row in self.frame.itertuples(index=False)
        )
        caption = f"<caption>{html.escape(self.caption)}</caption>" if self.caption else ""
        table = f"<table>{caption}<thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"
        return (
            f'<div class="woodlab-list" data-woodlab-list="{name}">{_STYLE}'
            f'<div class="rows">{table}</div></div>' + _SORT % {"name": name}
        )


def _kind(column: pd.Series) -> str:
    if pd.api.types.is_datetime64_any_dtype(column):
        return "date"
    return "number" if pd.api.types.is_numeric_dtype(column) else "text"


def _cell(value: object, kind: str, writer: str) -> str:
    if pd.isna(value):
        return f'<td class="{kind}" data-value=""></td>'
    if kind == "date":
        return f'<td class="date">{value:%Y-%m-%d}</td>'
    if kind == "number":
        return f'<td class="number" data-value="{value!s}">{writer.format(value)}</td>'
    return f'<td class="text">{html.escape(writer.format(value))}</td>'
