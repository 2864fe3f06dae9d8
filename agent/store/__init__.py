"""What must survive: SQLite."""
