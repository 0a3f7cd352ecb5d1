"""A tray test: from weights on the ground to a measured profile."""
