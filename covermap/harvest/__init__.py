"""What the combine did: from the track to passes and residue flow."""
