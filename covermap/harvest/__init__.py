"""What the combine did: track, cleaning, passes, working width, residue."""
