"""The pictures of a season: at a glance, one life, cracks in counts, inside the wall."""
