"""The `obdwatch` command: finds the subcommand, and turns every error into one line and an exit code.

A subcommand lives in `obdwatch/commands/`, parses its options, makes one call and prints. Its module is imported
only when it is asked for, so that `obdwatch codes` does not wait for libraries it does not use.

Exit codes: 0 done; 1 a finding with urgency soon or stop (with --fail-on); 2 bad input or no connection;
130 interrupted.
"""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence

import click

from obdwatch import __version__
from obdwatch.commands.options import BAD_INPUT, INTERRUPTED
from obdwatch.errors import ObdwatchError

# Name -> module under obdwatch.commands that defines `command`; the order is that of a newcomer's day.
COMMANDS: dict[str, str] = {
    "demo": "demo",
    "ports": "ports",
    "record": "record",
    "check": "check",
    "import": "import_table",
    "analyse": "analyse",
    "compare": "compare",
    "codes": "codes",
    "dashboard": "dashboard",
    "replay": "replay",
    "export": "export",
    "car": "car",
    "log": "log",
    "plan": "plan",
    "report": "report",
    "inspect": "inspect",
    "parts": "parts",
    "virtual-car": "virtual_car",
}


class CommandTable(click.Group):
    """The subcommands, imported on demand."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one subcommand, None where there is no such name."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"obdwatch.commands.{COMMANDS[cmd_name]}")
        command: click.Command = module.command
        return command


@click.command(cls=CommandTable, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="obdwatch")
def program() -> None:
    """Find the part that is wearing out on an ageing petrol car.

    Records standard OBD-II data through an ELM327-compatible adapter, keeps it, replays it, and says in plain
    words what is drifting. No car at hand? Start with `obdwatch demo`.
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the program and exit the process with its code."""
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the program and return its exit code; every expected failure becomes one line on stderr."""
    try:
        outcome = program.main(args=arguments, prog_name="obdwatch", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as help_text:
        click.echo(help_text.format_message())
        return 0
    except click.UsageError as error:
        return _refuse(_usage_line(error))
    except click.ClickException as error:
        return _refuse(error.format_message())
    except ObdwatchError as error:
        return _refuse(str(error))
    except (click.Abort, KeyboardInterrupt):
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output went away (`| head`); keep Python from complaining once more at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return outcome if isinstance(outcome, int) else 0


def _usage_line(error: click.UsageError) -> str:
    command = error.ctx.command_path if error.ctx is not None else "obdwatch"
    message = error.format_message()
    return f"{message}{'' if message.endswith(('.', '?')) else '.'} See '{command} --help'."


def _refuse(message: str) -> int:
    click.echo(f"obdwatch: {' '.join(message.split())}", err=True)
    return BAD_INPUT
