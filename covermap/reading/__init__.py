"""The one reader of tables and polygons: bytes, dialect, headers by words, units, values, times."""
