"""Drying laws, fits, pooling and forecasts. Knows `book` and `wood`."""
