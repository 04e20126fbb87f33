"""The maker's week: which bowls to turn, which have cracked, which wait, what to weigh and look at.

Where a thing is
----------------
`bowls`        a row a bowl, in exactly one group, and odd weights, a line an event: what the front
               page and the ready list share
`shop_round`   the week's round: what is due, in which order, what it should weigh
`ready`        `ready_list`: the answer of every week, as text, as sections and by member
`sharing`      `share_book`: a book that may be given away
"""
