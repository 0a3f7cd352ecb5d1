"""Results to files; computes nothing of its own."""
