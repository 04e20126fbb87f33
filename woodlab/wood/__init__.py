"""Facts of wood: species, humidity, moisture, shrinkage. Knows nothing of records or fits."""
