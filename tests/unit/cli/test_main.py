"""The entry point: every command loads, explains itself and stands in the manual; errors are words, not tracebacks."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import click
import pytest

from nightreel.cli.main import COMMANDS, night

ROOT = Path(__file__).parents[3]


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "nightreel", *words], capture_output=True, text=True, timeout=60, check=False
    )


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_loads_and_explains_itself(name: str) -> None:
    command = night.get_command(click.Context(night), name)
    assert isinstance(command, click.Command)
    assert command.help
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{name} {parameter.opts} has no help"


def test_the_manual_page_of_commands_is_what_the_commands_say() -> None:
    spec = spec_from_file_location("commands_page", ROOT / "tools" / "commands_page.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.PAGE.read_text() == module.page_text(), "run: python tools/commands_page.py"


def test_help_lists_the_commands_in_the_order_of_the_night_without_loading_them() -> None:
    script = (
        "import sys, click\nfrom nightreel.cli.main import night\n"
        "night.main(['--help'], standalone_mode=False)\n"
        "print([m for m in ('numpy', 'numba', 'scipy', 'soundfile') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True)
    places = [done.stdout.index(f"\n  {name} ") for name in COMMANDS]
    assert places == sorted(places)
    assert done.stdout.rstrip().endswith("[]")


def test_an_unknown_command_is_a_usage_error() -> None:
    done = run("sing")
    assert done.returncode == 2
    assert "sing" in done.stderr


@pytest.mark.parametrize(
    "words",
    [
        ("lines", "nowhere"),
        ("advance", "nowhere"),
        ("line-check", "nowhere", "--through", "stage", "--confirm-muted"),
        ("record", "nowhere", "--from", "stage:demo"),
        ("review", "nowhere"),
        ("soundcheck", "nowhere", "--plan-only"),
        ("handover", "nowhere", "--plan"),
        ("recover", "nowhere"),
    ],
    ids=lambda words: words[0],
)
def test_a_show_that_is_not_there_is_one_clear_sentence(words: tuple[str, ...], tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "nightreel", *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 2, done.stdout + done.stderr
    assert "nowhere" in done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) <= 3
    assert list(tmp_path.iterdir()) == []


def test_the_same_error_as_json_has_the_four_fields(tmp_path: Path) -> None:
    done = run("lines", str(tmp_path), "--json")
    error = json.loads(done.stdout)["error"]
    assert error["code"] == "not-a-show"
    assert set(error) >= {"code", "what", "where", "now"}
    assert done.returncode == 2
