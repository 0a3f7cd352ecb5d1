"""The command line: thin commands; every error becomes one message and an exit code.

Exit codes: 0 done; 1 a fault of covermap's own; 2 wrong input or option; 130 stopped by
the person.
"""

from __future__ import annotations

import os
import sys

import click

from covermap import __version__
from covermap.cli.advise_command import advise_command
from covermap.cli.check_command import check_command
from covermap.cli.compare_command import compare_command
from covermap.cli.export_command import export_command
from covermap.cli.map_command import map_command
from covermap.cli.options import in_options
from covermap.cli.plan_command import plan_command
from covermap.cli.range_command import range_command
from covermap.cli.report_command import report_command
from covermap.cli.sample_command import sample_command
from covermap.cli.season_command import season_command
from covermap.cli.trays_command import trays_command
from covermap.errors import CovermapError


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="covermap")
def commands() -> None:
    """Map where straw and chaff landed behind the combine, and advise how to spread evenly."""


for _command in (
    advise_command,
    check_command,
    compare_command,
    export_command,
    map_command,
    plan_command,
    range_command,
    report_command,
    sample_command,
    season_command,
    trays_command,
):
    commands.add_command(_command)


def main() -> None:
    """Run the command line and end with its exit code."""
    try:
        commands(standalone_mode=False)
    except CovermapError as error:
        _fail(error.told(in_options), 2)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        sys.exit(2)
    except click.UsageError as error:
        _fail(error.format_message(), error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        _fail("Stopped; nothing half-written was left.", 130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:  # a person never sees a traceback
        if os.environ.get("COVERMAP_DEBUG"):
            raise
        _fail(
            f"covermap has a fault of its own ({type(error).__name__}: {error}). Nothing "
            "half-written was left. Please report it with the command; COVERMAP_DEBUG=1 shows "
            "where it happened.",
            1,
        )


def _fail(message: str, code: int) -> None:
    click.echo(f"Error: {message}", err=True)
    sys.exit(code)
