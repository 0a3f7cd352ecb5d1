"""The map of one field: numbers, page and files."""
