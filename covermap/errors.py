"""What covermap says when something is wrong: one family, one sentence each.

Every message names the file, the line, column or setting, what was expected and what to
do about it. The command line prints the message and ends with exit code 2; a Python
caller catches :class:`CovermapError` or the built-in that fits.
"""


class CovermapError(Exception):
    """Root of all errors that covermap raises on purpose."""


class TrackError(CovermapError, ValueError):
    """The harvest track cannot be read or holds nothing to map."""


class SettingsError(CovermapError, ValueError):
    """A setting, field file or command-line option is missing, unknown or out of range."""


class BoundaryError(CovermapError, ValueError):
    """The field boundary cannot be read or does not fit the track."""


class WindError(CovermapError, ValueError):
    """The wind record cannot be read, or cannot serve this track."""


class OutputError(CovermapError, OSError):
    """The results cannot be written where they were asked for."""


class TrayError(CovermapError, ValueError):
    """A tray test or profile file cannot be read or does not describe a spread."""
