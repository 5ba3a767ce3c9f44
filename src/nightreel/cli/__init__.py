"""The command line: one module a command, loaded only when it is called."""

from nightreel.cli.main import main

__all__ = ["main"]
