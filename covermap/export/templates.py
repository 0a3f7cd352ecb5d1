"""Texts written from the templates in ``assets/``; whatever is filled in is escaped for XML."""

from __future__ import annotations

from importlib import resources
from typing import Any


def filled(template: str, **values: Any) -> str:
    """Fill a template.

    Parameters
    ----------
    template : str
        Name of a file in ``assets/``, without ``.jinja``; one in ``.txt`` is no XML.
    **values
        What it refers to; a name that is missing is an error.
    """
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=not template.endswith(".txt"),
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        undefined=StrictUndefined,
    )
    source = resources.files("covermap.export").joinpath("assets", f"{template}.jinja")
    return environment.from_string(source.read_text("utf-8")).render(values)
