"""What it means: cover, evenness, strips, causes, spectrum."""
