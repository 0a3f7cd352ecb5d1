"""Where the residue landed: bands, profiles and the grid."""
