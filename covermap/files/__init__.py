"""Results to and from disk: raster, vectors, whole or nothing, locks."""
