"""Records into files: a blank book, a whole one (saving), further rows (adding); each format."""
