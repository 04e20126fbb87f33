"""The record book: its six tables, reading, checking, writing back. Knows `wood`.

Where a thing is:

    the tables       tables (columns and rules), units, cells, glossary
    in               reading, claims (what a workbook claims before it is read), checking, doubts
    the book         record_book, many (several as one)
    out              blank, writing/ (saving, adding; as_csv, as_xlsx, as_ods)
    a maker's sheet  wide, wide_grid, wide_layout, wide_dates, wide_cells, wide_book
"""
