"""JSON Schemas (2020-12) of every message, shipped as data."""
