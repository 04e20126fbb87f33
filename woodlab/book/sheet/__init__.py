"""Anybody's spreadsheet made into a book: `wl.read_sheet`.

grid      files to cells, with errors, hidden rows and merged cells
words     headings and words in English, German and French (`words.csv`)
cells     one cell among the weights, and whether all can be in their unit
dates     one date or week, and the order that a sheet shows
layout    pieces down or dates down, and why; log: a row a weighing, a tab a bowl
questions what a sheet leaves open, all of it in one answer
walk      over all cells once: entries, and what became of each cell
reading   every cell used or listed
result    what came of it; into a file, and the grown sheet into that file again
"""
