"""The demo night as a place to record from and play to: its desk and its band, made again from the show's folder.

``demo.json`` in the folder says which night it is, so that every command finds the same one.
"""

from __future__ import annotations

import json
from pathlib import Path

from nightreel.demo.night import DemoNight, make_show
from nightreel.disk import write_new_text
from nightreel.errors import NotAShow
from nightreel.ports.desk import Desk
from nightreel.ports.running_desk import SimulatedStage
from nightreel.ports.stage import StageSource, inputs_from_array
from nightreel.show.model import Show

RECIPE_NAME = "demo.json"


def start_show(folder: Path, *, seed: int = 1, scale: float = 1.0) -> DemoNight:
    """A fresh demo show folder with its recipe. Raises AlreadyThere or DiskTrouble."""
    night = make_show(folder, seed=seed, scale=scale)
    write_new_text(folder / RECIPE_NAME, json.dumps({"seed": seed, "scale": scale}) + "\n")
    return night


def find_night(folder: Path) -> DemoNight:
    """The night that a folder was made for. Raises NotAShow where it is no demo show."""
    try:
        recipe = json.loads((folder / RECIPE_NAME).read_text())
        return DemoNight(seed=int(recipe["seed"]), scale=float(recipe["scale"]))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise NotAShow(
            f"no readable {RECIPE_NAME}: this is not a demo show", where=str(folder), now="`nightreel demo` makes one"
        ) from error


def make_source(show: Show, show_folder: Path, *, rate_hz: int, speed: float | None) -> StageSource:
    """The band on stage through the demo's desk, troubles and all, once from beginning to end."""
    night = find_night(show_folder)
    return StageSource(
        SimulatedStage(night.desk()),
        inputs_from_array(night.render()),
        frames=night.frames,
        speed=speed,
        gaps=night.gaps,
    )


def make_desk(show_folder: Path, *, live: bool = False) -> Desk:
    """The demo's desk with its troubles: every channel on its return as for a soundcheck, or ``live`` on its socket."""
    desk = find_night(show_folder).desk()
    return desk.live() if live else desk.at_soundcheck()
