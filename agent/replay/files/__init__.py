"""Recorded history as stretches: Parquet, the edge's own day files, and what people export from a historian."""
