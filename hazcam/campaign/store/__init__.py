"""The store of a run: one SQLite file, its writer, its reader, its tables."""
