"""Single pieces under linear laws, all at once: variable projection instead of the season's fit."""
