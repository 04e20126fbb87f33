"""The record book: its seven tables, reading, checking, writing back. Knows `wood`.

Where a thing is:

    the tables       tables (columns and rules, from `tables.csv`), units, cells
    in               reading, claims (what a workbook claims before it is read), checking, doubts
    the book         record_book, many (several as one), overview (what it holds)
    out              writing/ (saving, adding, blank; as_csv, as_xlsx, as_ods)
    a maker's sheet  sheet/ (a room of its own, with its own map)
"""
