"""Many fields at once: mapped one by one, read as one season."""
