"""Run covermap as ``python -m covermap``."""

from covermap.cli import main

main()
