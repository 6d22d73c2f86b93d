"""Sound to words: endpoint, engines, trust in what was heard, the bench's own voice."""
