"""The demonstration: an invented plant, a broker of our own, a season of history, then live."""
