"""The bench: hears called readings, reads tags, checks limits, keeps the record."""
