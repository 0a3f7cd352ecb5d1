"""The air: wind files, profile, flight of pieces, drift."""
