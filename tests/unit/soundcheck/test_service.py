"""A running player told in words, through the control socket too; a device that goes away; a stop that is quick."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from tests.unit.soundcheck.rig import RATE_HZ, ArrayTake, band, facts_of, largest_step, playing, usb_show

from nightreel.control import Client, Server
from nightreel.errors import ArgumentInvalid, DeviceTrouble
from nightreel.ports.protocols import FloatArray
from nightreel.show.model import Show
from nightreel.soundcheck import Drive, Player, State
from nightreel.soundcheck.service import PlayerService
from nightreel.soundcheck.session import Section
from nightreel.timeline import Mark, Span

MARKS = (
    Mark(frame=0, name="Low Tide", song=1),
    Mark(frame=3 * RATE_HZ, name="Chorus"),
    Mark(frame=5 * RATE_HZ, name="Ferry Bell", song=2),
)


class Tape:
    """A sink that keeps what it gets, ten times as fast as real time; may go away."""

    rate_hz = RATE_HZ
    channels = 4
    underruns = 0

    def __init__(self) -> None:
        self.blocks: list[FloatArray] = []
        self.gone = False

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def flush(self) -> None: ...

    def write(self, samples: FloatArray) -> None:
        if self.gone:
            raise DeviceTrouble("the device has gone while it was playing")
        self.blocks.append(samples)
        time.sleep(samples.shape[0] / RATE_HZ / 10)

    def all(self) -> FloatArray:
        return np.concatenate(self.blocks)


@contextmanager
def running(tape: Tape, seconds: int = 10, bar_frames: float = 0.0) -> Iterator[tuple[PlayerService, Player, Drive]]:
    samples = band(seconds * RATE_HZ, 4)
    facts = facts_of(Show(**usb_show()), samples.shape[0], MARKS)
    with playing(ArrayTake(samples)) as player:
        assert player.wait_ready()
        drive = Drive(player, tape)
        section = Section(name="the whole take", span=Span(first_frame=0, frames=samples.shape[0]))
        try:
            yield PlayerService(player, drive, facts, section, bar_frames=bar_frames), player, drive
        finally:
            drive.leave()


def until(condition, timeout_s: float = 10.0) -> bool:  # type: ignore[no-untyped-def]
    deadline = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.005)
    return True


def test_stop_and_go_again() -> None:
    with running(Tape()) as (service, player, _):
        service.tell("go")
        assert until(lambda: player.status().position > RATE_HZ)
        service.tell("stop")
        assert until(lambda: player.status().state is State.STOPPED)
        assert service.status()["state"] == "stopped"
        service.tell("go")
        assert until(lambda: player.status().state is State.PLAYING)


def test_songs_marks_and_places_are_jumped_to() -> None:
    with running(Tape()) as (service, player, _):
        service.tell("go")
        service.tell("song", "ferry")
        assert until(lambda: service.status()["song"] == "Ferry Bell")
        service.tell("previous")
        assert until(lambda: player.status().position < 5 * RATE_HZ)
        service.tell("jump", "0:08")
        assert until(lambda: player.status().position >= 8 * RATE_HZ)


def test_a_jump_at_the_next_mark_or_bar_waits_for_it() -> None:
    tape = Tape()
    with running(tape, bar_frames=2 * RATE_HZ) as (service, player, _):
        samples = player._take.samples  # type: ignore[attr-defined]
        service.tell("go")
        service.tell("jump", "0:07 at mark")
        assert until(lambda: player.status().position >= 7 * RATE_HZ + 20_000)
        played = tape.all()
    index = {row.tobytes(): place for place, row in enumerate(samples)}
    places = [index[row.tobytes()] for row in played if row.tobytes() in index]
    last_before = next(k for k, place in enumerate(places) if place >= 7 * RATE_HZ) - 1
    assert (places[last_before], places[last_before + 1]) == (3 * RATE_HZ - 961, 7 * RATE_HZ)
    assert service._next_bar(RATE_HZ) == 2 * RATE_HZ
    assert service._next_bar(6 * RATE_HZ) == 7 * RATE_HZ  # bars count from the start of the song


def test_lines_loops_and_levels() -> None:
    with running(Tape()) as (service, player, _):
        service.tell("go")
        assert service.tell("live", "2, 4")["returned"] == [1, 3]
        assert service.tell("return", "4")["returned"] == [1, 3, 4]
        assert service.tell("loop", "0:01-0:02")["loop"] == ["0:00:01.000", "0:00:02.000"]
        assert service.tell("loop", "off")["loop"] is None
        service.tell("level", "-12")
        assert until(lambda: player.status().level_db == -12.0)


@pytest.mark.parametrize(
    ("verb", "text"),
    [
        ("dance", ""),
        ("jump", "99:00"),
        ("jump", "x"),
        ("jump", "0:01 at bar"),
        ("song", "nine"),
        ("mark", "none"),
        ("level", "loud"),
        ("level", "3"),
        ("live", "9"),
        ("live", ""),
        ("return", "1,99"),
        ("loop", "5-2"),
    ],
)
def test_what_cannot_be_done_is_refused_and_changes_nothing(verb: str, text: str) -> None:
    with running(Tape()) as (service, player, _):
        before = (player.status().returned, player.status().loop)
        with pytest.raises(ArgumentInvalid) as caught:
            service.tell(verb, text)
        assert caught.value.now
        assert (player.status().returned, player.status().loop) == before


def test_a_client_may_come_and_go_while_it_plays(tmp_path: Path) -> None:
    with running(Tape()) as (service, player, _):
        server = Server(tmp_path / "p.sock", service.handle)
        server.start()
        try:
            with Client(tmp_path / "p.sock") as client:
                assert client.ask("go")["state"] == "playing"
                with pytest.raises(ArgumentInvalid):
                    client.ask("jump", text="nowhere")
            assert until(lambda: player.status().position > RATE_HZ)
            with Client(tmp_path / "p.sock") as client:
                assert client.ask("status")["state"] == "playing"
                client.ask("quit")
            assert service.quit_wanted
        finally:
            server.stop()


def test_a_device_that_goes_away_is_said_and_the_player_survives() -> None:
    tape = Tape()
    with running(tape) as (service, player, drive):
        service.tell("go")
        assert until(lambda: player.status().position > RATE_HZ // 2)
        tape.gone = True
        assert until(lambda: not drive.running)
        status = service.status()
    assert status["state"] == "failed"
    assert "gone" in status["trouble"]


def test_whatever_is_commanded_no_step_is_larger_than_the_programme_s_own() -> None:
    tape = Tape()
    random = np.random.default_rng(11)
    with running(tape, seconds=20) as (service, player, _):
        own = largest_step(player._take.samples)  # type: ignore[attr-defined]
        service.tell("go")
        for _ in range(40):
            verb, text = [
                ("stop", ""),
                ("go", ""),
                ("jump", str(int(random.integers(0, 18)))),
                ("loop", "2-2.5"),
                ("loop", "off"),
                ("live", "2"),
                ("return", "2"),
                ("level", str(-int(random.integers(0, 20)))),
                ("go", ""),
            ][int(random.integers(9))]
            service.tell(verb, text)
            time.sleep(float(random.uniform(0.0, 0.05)))
        service.tell("stop")
        assert until(lambda: player.status().state in (State.STOPPED, State.ENDED))
    assert np.abs(tape.all()).max() > 0.1
    assert largest_step(tape.all()) <= own
