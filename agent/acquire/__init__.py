"""Lines, maps and polling: from the wire to samples."""
