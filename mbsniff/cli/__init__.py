"""The command line: one thin module a command, imported only when that command runs."""

from mbsniff.cli.main import main

__all__ = ["main"]
