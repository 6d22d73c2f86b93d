"""The bench's event log on disk."""
