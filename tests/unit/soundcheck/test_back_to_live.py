"""Back to live: named line by line, with a banner that only proof or a waiver takes down."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from tests.unit.soundcheck.rig import ArrayTake, band

from nightreel.errors import TakeDamaged
from nightreel.linecheck import Identified, identify
from nightreel.ports.desk import Desk
from nightreel.ports.stage import SimulatedStage, StageDuplex, inputs_from_array
from nightreel.soundcheck.back_to_live import (
    CODE_DBFS,
    Live,
    Returned,
    judge,
    note_live,
    note_returned,
    read_open,
    still_heard,
    waive,
)
from nightreel.soundcheck.by_take import prove_by_take

AT = datetime(2026, 11, 28, 18, 40, tzinfo=UTC)


def returned(count: int = 8) -> tuple[Returned, ...]:
    return tuple(Returned(line=n, name=f"Name {n}", return_number=n, send_number=n) for n in range(1, count + 1))


def proof(desk: Desk, stage_dbfs: float = -60.0) -> Live:
    frames = 5 * 48_000
    band_on_stage = np.random.default_rng(3).standard_normal((frames, desk.sockets)) * 10 ** (stage_dbfs / 20)
    duplex = StageDuplex(
        SimulatedStage(desk), inputs_from_array(band_on_stage.astype(np.float32), repeat=True), speed=None
    )
    lines = returned(desk.sends)
    outcome = identify(duplex, [line.return_number for line in lines], amplifiers_muted=True, ceiling_dbfs=CODE_DBFS)
    assert isinstance(outcome, Identified)
    return judge(outcome.matrix, lines)


def test_a_desk_back_on_its_sockets_is_proven_live() -> None:
    live = proof(Desk.straight(rate_hz=48_000, lines=8).live())
    assert live.proven
    assert live.sentences() == ("All 8 lines are live: no send carries a return.",)


def test_each_line_still_returned_is_named_with_a_code_at_minus_sixty_beside_stage_noise() -> None:
    live = proof(Desk.straight(rate_hz=48_000, lines=8).at_soundcheck([2, 5]))
    assert [line.line for line, _ in live.still] == [3, 6]
    assert live.sentences()[0] == "Line 3 Name 3 is still returned: return 3 comes back at 0 dB."


def test_a_loud_stage_is_unclear_and_not_called_live() -> None:
    live = proof(Desk.straight(rate_hz=48_000, lines=8).live(), stage_dbfs=-15.0)
    assert len(live.unclear) == 8
    assert not live.proven


def test_what_still_plays_is_found_in_what_comes_in() -> None:
    played = band(96_000, 4)
    stage = band(96_000, 4, seed=9)
    captured = stage.copy()
    captured[700:, 1] += 0.3 * played[:-700, 1]
    captured[20_000:, 3] = -0.02 * played[:-20_000, 3]
    assert still_heard(played, captured).tolist() == [False, True, False, True]
    assert not still_heard(played, np.zeros_like(played)).any()


def test_the_banner_stays_until_every_line_is_proven(tmp_path: Path) -> None:
    assert read_open(tmp_path) is None
    lines = returned(3)
    note_returned(tmp_path, "2026-11-27-evening-1", lines, AT)
    opened = read_open(tmp_path)
    assert opened is not None
    assert opened.banner == (
        "NOT PROVEN LIVE: since 18:40 the desk may take lines 1, 2, 3 from the take "
        "'2026-11-27-evening-1' instead of the stage"
    )
    note_live(tmp_path, Live(still=((lines[1], 0.0),), unclear=(), clear=(lines[0], lines[2])), AT)
    left = read_open(tmp_path)
    assert left is not None
    assert [line.line for line in left.lines] == [2]
    note_live(tmp_path, Live(still=(), unclear=(), clear=(lines[1],)), AT)
    assert read_open(tmp_path) is None


def test_a_second_soundcheck_adds_to_what_is_open_and_a_waiver_keeps_its_reason(tmp_path: Path) -> None:
    note_returned(tmp_path, "a", returned(2), AT)
    note_returned(tmp_path, "b", returned(4)[2:], AT)
    opened = read_open(tmp_path)
    assert opened is not None
    assert [line.line for line in opened.lines] == [1, 2, 3, 4]
    waive(tmp_path, "checked by hand", AT)
    assert read_open(tmp_path) is None
    assert "checked by hand" in (tmp_path / "soundcheck.json").read_text()


@pytest.mark.parametrize("text", ["", "[]", '{"lines": [{}]}', '{"lines": []}'])
def test_a_broken_note_is_named_and_not_taken_for_live(tmp_path: Path, text: str) -> None:
    (tmp_path / "soundcheck.json").write_text(text)
    with pytest.raises(TakeDamaged, match="Prove by hand"):
        read_open(tmp_path)


def test_the_take_itself_forty_decibels_down_proves_it_beside_a_band_on_stage() -> None:
    programme = band(8 * 48_000, 8)
    programme[:, 7] = 0.0  # nothing to look for on line 8
    desk = Desk.straight(rate_hz=48_000, lines=8).at_soundcheck([2, 5]).with_all(latency_frames=4_000)
    on_stage = band(8 * 48_000, 8, seed=4) * np.float32(10 ** (-15 / 20))
    duplex = StageDuplex(SimulatedStage(desk), inputs_from_array(on_stage, repeat=True), speed=None)
    live = prove_by_take(duplex, ArrayTake(programme), returned())
    assert [line.line for line, _ in live.still] == [3, 6]
    assert [gain_db for _, gain_db in live.still] == pytest.approx([0.0, 0.0], abs=3.0)
    assert [line.line for line in live.unclear] == [8]
