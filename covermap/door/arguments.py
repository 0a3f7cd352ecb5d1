"""Settings as Python arguments: every option of the command line, with ``_`` for ``-``."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from functools import wraps
from typing import ParamSpec, TypeVar

from covermap.errors import Ask, CovermapError, SettingsError
from covermap.settings.field_settings import SETTINGS

_P = ParamSpec("_P")
_T = TypeVar("_T")

#: Argument of every setting; the track is the source itself.
ARGUMENTS = {
    s.argument: (s.section, s.key) for s in SETTINGS if (s.section, s.key) != ("field", "track")
}
_BY_SETTING = {f"{section}.{key}": name for name, (section, key) in ARGUMENTS.items()}


def settings_of(arguments: Mapping[str, object]) -> dict[tuple[str, str], object]:
    """Give the settings that arguments state, by section and key.

    Raises
    ------
    SettingsError
        If an argument is no setting; the nearest one is named.
    """
    for name in arguments:
        if name not in ARGUMENTS:
            near = difflib.get_close_matches(name, ARGUMENTS, n=3, cutoff=0.5)
            raise SettingsError(
                f"{name} is no setting.",
                f"Settings are named as on the command line, such as {', '.join(near)}."
                if near
                else f"Settings are {', '.join(ARGUMENTS)}.",
                "Correct the name, or leave it out.",
            )
    return {ARGUMENTS[name]: value for name, value in arguments.items() if value is not None}


def in_arguments(ask: Ask) -> str:
    """Name what is asked for as an argument: ``spread_width="30 ft"``."""
    if ask.of:
        return f'{ask.of}s={{"{ask.name}": "{ask.example}"}}'
    name = _BY_SETTING.get(ask.name, ask.name)
    return f'{name}="{ask.example}"' if ask.example else name


def said_in_python(offered: Callable[_P, _T]) -> Callable[_P, _T]:
    """Let errors that leave a function name what is asked for as its arguments."""

    @wraps(offered)
    def door(*args: _P.args, **kwargs: _P.kwargs) -> _T:
        try:
            return offered(*args, **kwargs)
        except CovermapError as error:
            error.name_of = in_arguments
            raise

    return door
