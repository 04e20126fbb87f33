"""The round at the scales: a sheet or a page to fill in, and the way back into the book.

Where a thing is
----------------
`sheets`             `write_round`: the round as .xlsx, .pdf, or a page to type into at the scales
                     (`round.html.j2`, `round.js`, `round.css`)
`core`               the bowls of a round, units, and the questions about odd weights
`filled`             a filled sheet or the page's export, read
`taking`             `add_round`: all of it into the book, or nothing
"""
