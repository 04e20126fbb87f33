"""Pages of a season: facts asked of the kit once, then words, then HTML without scripts."""
