"""What to do about it: the next pass, zone by zone."""
