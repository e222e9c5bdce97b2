"""Command-line arguments in, an exit status out: 0 nothing wrong, 1 faults found, 2 bad input, 3 stopped early."""

from __future__ import annotations

import importlib
import os
import sys

import click

from mbsniff import __version__
from mbsniff.errors import MbsniffError, one_line

BAD_INPUT = 2
STOPPED_EARLY = 3

COMMANDS = {
    "diagnose": "Say which device's watchdog was due, when and why, and how near the others are.",
    "story": "Tell what happened around a finding or a moment, in time order, and why.",
    "plan": "Make a poll list that reads the same in the fewest reads, within what each device tolerates.",
    "audit": "Hold recordings against every requirement of a site file, and tell who wrote what.",
    "writes": "Tell who wrote what to which register, and what is wrong with it.",
    "site": "Draft a site file from recordings, or check one: what each device tolerates.",
    "compare": "Say what changed between two recordings, and whether it is more than variation.",
    "export": "Write every transaction or event, a row each, as CSV or JSON lines.",
    "findings": "Explain the findings: what each means, what decides it, what to do.",
}


class _Commands(click.Group):
    """Finds a command in the module of its name, so that `--help` imports none of them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"mbsniff.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.command(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="mbsniff %(version)s")
def commands() -> None:
    """Reads recorded Modbus TCP traffic and says which device's watchdog was due, when and why.

    It only listens: nothing is ever sent to the plant's network.
    """


def main() -> None:
    """Run the command line and leave with its exit status; errors are one line on standard error."""
    try:
        status = commands.main(prog_name="mbsniff", standalone_mode=False)
    except MbsniffError as error:
        _complain(str(error), BAD_INPUT)
    except click.ClickException as error:
        _complain(_call_error(error), BAD_INPUT)
    except (KeyboardInterrupt, click.Abort):
        _complain("stopped", STOPPED_EARLY)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader went away: be quiet
        sys.exit(STOPPED_EARLY)
    sys.exit(status if isinstance(status, int) else 0)


def _call_error(error: click.ClickException) -> str:
    """A wrong call, in one line, and where to read how it is called."""
    context = getattr(error, "ctx", None)
    path = context.command_path if context else "mbsniff"
    return f'{" ".join(error.format_message().split())} See "{path} --help".'


def _complain(text: str, status: int) -> None:
    print(f"mbsniff: {one_line(text)}", file=sys.stderr)
    sys.exit(status)
