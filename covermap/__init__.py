"""covermap: where the straw and chaff landed behind the combine, and what to do about it."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("covermap")
except PackageNotFoundError:  # run from a checkout that was never installed
    __version__ = "0+unknown"
