"""The one Python door: the commands as functions, for scripts and notebooks."""
