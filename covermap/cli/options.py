"""What several commands share: an option for every setting, the source, the progress bar."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from covermap.errors import Ask
from covermap.settings.field_settings import BY_NAME, SETTINGS
from covermap.settings.setting import Setting

if TYPE_CHECKING:
    from covermap.door.answer import Answer
    from covermap.field.open_field import OpenField

_STEPS = 9


def option_name(setting: Setting) -> str:
    """Give the command-line option of a setting, without dashes in front."""
    return setting.argument.replace("_", "-")


def in_options(ask: Ask) -> str:
    """Name what an error asks for as the command line writes it: ``--crs EPSG:32615``."""
    section, _, key = ask.name.rpartition(".")
    setting = BY_NAME.get((section, key))
    option = (ask.of or (setting.argument if setting else key)).replace("_", "-")
    value = f"{ask.name}={ask.example}" if ask.of else ask.example
    return f'--{option} "{value}"' if " " in value else f"--{option} {value}".rstrip()


def setting_options(*sections: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Add an option for every setting but the track; of some sections only, if named."""

    def add(command: Callable[..., None]) -> Callable[..., None]:
        for setting in reversed(SETTINGS):
            left_out = bool(sections) and setting.section not in sections
            if (setting.section, setting.key) == ("field", "track") or left_out:
                continue
            command = _option(setting)(command)
        return command

    return add


def _option(setting: Setting) -> Callable[[Callable[..., None]], Callable[..., None]]:
    unit = f" [{setting.unit}, or text with a unit]" if setting.unit else ""
    default = f" Default: {setting.default:g}." if isinstance(setting.default, float) else ""
    if setting.kind == "choice":
        unit = f" One of: {', '.join(setting.choices)}."
    return click.option(
        f"--{option_name(setting)}",
        f"set_{setting.section}_{setting.key}",
        metavar="TEXT",
        help=f"{setting.meaning}{unit}{default}",
    )


def source_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the source and the options that say how to read it."""
    command = extra_source_options(command)
    return click.argument("source", type=click.Path(path_type=Path))(command)


def extra_source_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options that say how to read the source."""
    for decorate in (
        click.option(
            "--pass-settings",
            type=click.Path(path_type=Path),
            help="CSV of settings per pass: passes (or from, to), then keys such as width, lean.",
        ),
        click.option(
            "--column",
            "columns",
            multiple=True,
            metavar="NAME=HEADER",
            help="Which column holds what, such as time=MyTime. May be repeated.",
        ),
        click.option(
            "--unit",
            "units",
            multiple=True,
            metavar="NAME=UNIT",
            help="Unit of a column, such as flow=lb/s. May be repeated.",
        ),
    ):
        command = decorate(command)
    return command


def open_source(source: Path, options: dict[str, Any]) -> OpenField:
    """Open the field file or track of a command."""
    from covermap.field.open_field import open_field

    return open_field(
        source,
        settings_of(options),
        pass_settings=options["pass_settings"],
        columns=pairs_of(options["columns"], "--column"),
        units=pairs_of(options["units"], "--unit"),
    )


def arguments_of(options: dict[str, Any], *, with_source: bool) -> dict[str, Any]:
    """Give the settings among the options, and how to read the source, as Python arguments."""
    how = {BY_NAME[name].argument: value for name, value in settings_of(options).items()}
    if with_source:
        how["pass_settings"] = options["pass_settings"]
        how["columns"] = pairs_of(options["columns"], "--column")
        how["units"] = pairs_of(options["units"], "--unit")
    return how


def show(answer: Answer[Any], *, us_units: bool, as_json: bool = False) -> None:
    """Print an answer in words or as JSON."""
    if as_json:
        click.echo(json.dumps(answer.summary, indent=2, ensure_ascii=False))
    else:
        click.echo(answer.text(us_units))


def settings_of(options: dict[str, Any]) -> dict[tuple[str, str], object]:
    """Give the settings among the options of a command."""
    settings = {(s.section, s.key): options.get(f"set_{s.section}_{s.key}") for s in SETTINGS}
    return {name: value for name, value in settings.items() if value is not None}


def pairs_of(texts: tuple[str, ...], option: str) -> dict[str, str]:
    """Read texts such as NAME=VALUE of an option that may be repeated."""
    pairs = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise click.UsageError(f"{option} {text!r}: expected NAME=VALUE, as in time=MyTime.")
        pairs[name.strip()] = value.strip()
    return pairs


@contextmanager
def progress_bar(show: bool) -> Iterator[Callable[[str], None]]:
    """Show a bar on a terminal; in a pipe show nothing."""
    if not (show and sys.stderr.isatty()):
        yield lambda step: None  # noqa: ARG005
        return
    with click.progressbar(
        length=_STEPS, file=sys.stderr, width=24, show_eta=False, item_show_func=str
    ) as bar:

        def tell(step: str) -> None:
            bar.update(1, step)

        yield tell
