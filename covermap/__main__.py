"""Run covermap as ``python -m covermap``."""

from covermap.cli.commands import main

main()
