"""From a take on disk to what is played."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.unit.soundcheck.rig import RATE_HZ, band, show_with_take

from nightreel.errors import ArgumentInvalid, PlanImpossible
from nightreel.soundcheck import Player, Wishes, plan_returns
from nightreel.soundcheck.session import (
    choose_section,
    find_holes,
    missing_lines,
    neighbour_song,
    parse_place,
    player_channels,
)
from nightreel.take import Take, find_take, open_take
from nightreel.timeline import Mark, Span

MARKS = (
    Mark(frame=0, name="Low Tide", song=1),
    Mark(frame=200_000, name="Ferry Bell", song=2),
    Mark(frame=380_000, name="Applause"),
)


def opened(folder: Path, lines: int = 3, seconds: int = 10) -> tuple[Take, np.ndarray]:
    samples = band(seconds * RATE_HZ, lines)
    show_with_take(folder, samples, MARKS)
    return open_take(find_take(folder)), samples


def test_a_take_on_disk_is_played_bit_for_bit(tmp_path: Path) -> None:
    from nightreel.show.files import load_show

    take, samples = opened(tmp_path / "show")
    with take:
        plan = plan_returns(load_show(tmp_path / "show"), take.facts, Wishes())
        section = choose_section(take.facts, song="ferry")
        channels = player_channels(plan, take.facts, sink_channels=8)
        player = Player(take, channels, sink_channels=8, span=section.span, start_db=0.0, rise_s=0.0)
        try:
            player.start()
            blocks = []
            for _ in range(100):
                assert player.wait_ready(20.0, frames=480)
                blocks.append(player.render(480))
        finally:
            player.close()
    out = np.concatenate(blocks)
    assert np.array_equal(out[960:, :3], samples[200_960:248_000])


def test_a_short_and_a_missing_file_are_named_and_silent(tmp_path: Path) -> None:
    from nightreel.show.files import load_show

    take, _ = opened(tmp_path / "show")
    take.close()
    tracks = take.folder / "tracks"
    (tracks / "02.wav").unlink()
    data = (tracks / "03.wav").read_bytes()
    (tracks / "03.wav").write_bytes(data[: len(data) // 2])
    with open_take(take.folder) as take:
        plan = plan_returns(load_show(tmp_path / "show"), take.facts, Wishes())
        texts = missing_lines(take, plan)
        holes = find_holes(take)
        assert take.read([2], 0, 1000).max() == 0.0
    assert len(texts) == 2
    assert texts[0].startswith("Line 2 Name 2 is silent, all of it: ")
    assert texts[1].startswith("Line 3 Name 3 is silent, from 0:00:0")
    assert holes[2] == (Span(first_frame=0, frames=10 * RATE_HZ),)
    assert holes[3][0].end_frame == 10 * RATE_HZ


def test_sections_are_found_by_song_mark_and_span(tmp_path: Path) -> None:
    take, _ = opened(tmp_path / "show")
    with take:
        facts = take.facts
        assert choose_section(facts).span == Span(first_frame=0, frames=480_000)
        assert choose_section(facts, song="2").span == Span(first_frame=200_000, frames=180_000)
        assert choose_section(facts, song="low").name == "Low Tide"
        assert choose_section(facts, mark="applause").span == Span(first_frame=380_000, frames=100_000)
        assert choose_section(facts, span="0:01.5-4").span == Span(first_frame=72_000, frames=120_000)
        assert choose_section(facts, span="8-").span == Span(first_frame=384_000, frames=96_000)
        for wrong in ({"song": "9"}, {"song": "e"}, {"mark": "Encore"}, {"span": "5-2"}, {"span": "x"}, {"span": "99"}):
            with pytest.raises(ArgumentInvalid) as caught:
                choose_section(facts, **wrong)
            assert caught.value.now
        with pytest.raises(ArgumentInvalid, match="together"):
            choose_section(facts, song="1", mark="Applause")
        assert parse_place(facts, "0:00:02.5") == 120_000


def test_next_and_previous_song(tmp_path: Path) -> None:
    take, _ = opened(tmp_path / "show")
    with take:
        facts = take.facts
    names = [
        getattr(neighbour_song(facts, frame, step), "name", None)
        for frame, step in ((0, 1), (200_000, 1), (100_000, -1), (300_000, -1), (400_000, -1))
    ]
    assert names == ["Ferry Bell", None, "Low Tide", "Low Tide", "Ferry Bell"]


def test_more_lines_than_returns_is_refused_by_name(tmp_path: Path) -> None:
    from nightreel.show.files import load_show

    take, _ = opened(tmp_path / "show")
    with take:
        plan = plan_returns(load_show(tmp_path / "show"), take.facts, Wishes())
        with pytest.raises(PlanImpossible, match=r"line 3 \(Name 3\) is returned on usb:3"):
            player_channels(plan, take.facts, sink_channels=2)
        fits = plan_returns(load_show(tmp_path / "show"), take.facts, Wishes(live=frozenset({"3"})))
        assert len(player_channels(fits, take.facts, sink_channels=2)) == 2
