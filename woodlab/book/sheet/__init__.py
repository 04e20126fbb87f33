"""Anybody's spreadsheet made into a book: `wl.read_sheet`.

grid      files to cells, with errors, hidden rows and merged cells
words     headings and words in English, German and French (`words.csv`)
cells     one cell among the weights; dates: one date, and the order that a sheet shows
layout    pieces down, dates down, or a row a weighing, and why
units     numbers that cannot be in their unit
reading   every cell used or listed; result: what came of it
merging   into a file, and the grown sheet into that file again
"""
