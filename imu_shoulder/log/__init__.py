"""The append-only log that a recording is kept in while it runs, and its recovery after a crash."""
