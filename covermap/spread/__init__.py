"""Where residue landed: profiles, bands, deposit."""
