"""Recorded: history -> pipeline -> files."""
