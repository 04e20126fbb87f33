"""When pieces will be dry enough: read from the season's one fit."""
