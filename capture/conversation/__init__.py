"""The bench's conversation, a noun to a module: `session.handle` hands each input to the one it concerns."""
