"""The entry point: finds commands lazily, and turns every error of ours into words and an exit status.

A command ``foo-bar`` lives in ``nightreel/cli/foo_bar.py`` as a click command named ``command``; heavy imports
belong inside its function, so that ``nightreel --help`` stays quick.
"""

from __future__ import annotations

import json
import sys
from importlib import import_module
from keyword import iskeyword
from typing import NoReturn

import click

from nightreel import __version__
from nightreel.errors import NightreelError

# In the order of the night; the second item is what --help says without importing the module.
COMMANDS: dict[str, str] = {
    "new": "start a show folder",
    "import": "bring in an input list from CSV, XLSX or ODS",
    "lines": "print the show's lines and their patch, and what contradicts itself",
    "advance": "plan rate, links, ports and storage; print patch sheets",
    "measure-drive": "measure what a drive really writes",
    "devices": "list sound devices, and streams announced on the network",
    "line-check": "prove every path with identification signals",
    "rehearse": "burn the recording rig in for a while; ends in a verdict with numbers",
    "record": "record a take; --status shows the running one",
    "mark": "mark this moment of the running take",
    "stop": "stop the running take (has to be confirmed)",
    "recover": "make a take whole after a crash or a power cut",
    "review": "say what is wrong with a take, on which line, when, and what to do",
    "soundcheck": "play a take back through its returns",
    "handover": "split, name, tag, package, copy and verify a take",
    "demo": "run one invented night from end to end",
}


class Night(click.Group):
    """Lists commands from :data:`COMMANDS` and imports one only when it runs."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        name = cmd_name.replace("-", "_")
        module = import_module(f"nightreel.cli.{name}_" if iskeyword(name) else f"nightreel.cli.{name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands, in the order of the night"):
            formatter.write_dl(list(COMMANDS.items()))


@click.command(cls=Night, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="nightreel")
def night() -> None:
    """Record tonight's show line by line, prove the take, play it back through the desk tomorrow."""


def main(argv: list[str] | None = None) -> NoReturn:
    """Run the command line; never shows a traceback for an error of ours."""
    args = sys.argv[1:] if argv is None else argv
    try:
        status = night.main(args=args, prog_name="nightreel", standalone_mode=False)
        sys.exit(status if isinstance(status, int) else 0)
    except NightreelError as error:
        say_error(error, as_json="--json" in args)
        sys.exit(error.exit_status)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Interrupted. Nothing was stopped that was running on its own.", err=True)
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(0)


def say_error(error: NightreelError, *, as_json: bool) -> None:
    """One clear sentence on stderr, or the same fields as JSON on stdout."""
    if as_json:
        fields: dict[str, object] = {**error.as_dict()}
        problems = getattr(error, "problems", ())
        if problems:
            fields["problems"] = list(problems)
        click.echo(json.dumps({"error": fields}, ensure_ascii=False))
    else:
        click.echo(str(error), err=True)
