"""One SQLite file per recording: the one writer, the read-only view, the library, the exports."""
