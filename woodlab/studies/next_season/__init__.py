"""The plan of the next season's trial."""
