"""The database and the broker as private child processes, from Python packages alone."""
