"""What each command does, given its parsed options: one module a command, its function named as the module is."""
