"""The log: measurements with their whole traces, in one SQLite file."""
