"""Records into files: a whole book (saving), further rows (adding); as CSV, .xlsx or .ods."""
