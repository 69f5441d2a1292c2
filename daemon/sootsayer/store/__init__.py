"""The one place for SQLite: schema, writer, reader."""
