"""How far the numbers move if what was stated is a little off."""
