"""Two settings, or two years, of one field."""
