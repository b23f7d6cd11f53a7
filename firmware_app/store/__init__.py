"""The ride log: SQLite schema, the writer, the reader, migrations and exports."""
