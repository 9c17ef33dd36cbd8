"""Changes of the schema in order: each is a small module that runs the SQL file of its own name."""
