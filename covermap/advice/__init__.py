"""Settings that would have spread evenly, by heading and wind."""
