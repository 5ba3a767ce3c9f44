"""The main job over network audio: a desk of our own sends AES67 flows, `nightreel` records them, plays them back as
flows, and every sample is compared both ways. Loss, cuts, a stopped recorder and a restarted desk are planted.

Placement by RTP timestamp after RFC 3550; loopback only. What the desk itself sent late on a busy machine is not held
against the recorder, but counted.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from tests.netdesk import (
    CHANNELS,
    PACKET,
    RATE_HZ,
    desk,
    frame_of,
    late_packets,
    loses,
    make_plan,
    sounds,
    write_descriptions,
)

from nightreel.show.files import create_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Port, Role
from nightreel.take import find_take, open_take
from nightreel.take.model import TakeFacts
from nightreel.timeline import GapCause

FLOWS = 3
LINES = FLOWS * CHANNELS


@pytest.fixture
def show(tmp_path: Path) -> Path:
    lines = tuple(
        Line(
            number=number,
            name=f"Input {number}",
            role=Role.DIRECT,
            send=Port(link="net", number=number),
            return_port=Port(link="net", number=number),
        )
        for number in range(1, LINES + 1)
    )
    capacity = {RATE_HZ: Capacity(sends=LINES, returns=LINES)}
    link = Link(name="net", kind=LinkKind.AES67, capacity=capacity)
    create_show(tmp_path / "show", name="Network night", rate_hz=RATE_HZ, lines=lines, links=(link,))
    return tmp_path / "show"


def nightreel(*words: object, code: int = 0) -> str:
    """Run a command as its user would; what it prints."""
    command = [sys.executable, "-m", "nightreel", *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, env=os.environ, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout + done.stderr


def status_of(show: Path) -> dict[str, Any]:
    status: dict[str, Any] = json.loads(nightreel("record", show, "--status", "--json"))
    return status


def stop(show: Path) -> None:
    nightreel("stop", show, "--confirm", status_of(show)["take"])


def recording(show: Path) -> tuple[TakeFacts, NDArray[np.float32]]:
    with open_take(find_take(show, "last")) as take:
        return take.facts, take.read([track.line for track in take.facts.tracks], 0, take.facts.frames)


def missing(facts: TakeFacts) -> NDArray[np.bool_]:
    """(frames, lines): what the take says that it does not hold."""
    mask = np.zeros((facts.frames, LINES), bool)
    for gap in facts.gaps:
        mask[gap.first_frame : gap.end_frame, list(gap.channels) or slice(None)] = True
    return mask


def place_of(recorded: NDArray[np.float32], mask: NDArray[np.bool_]) -> int:
    """The desk's frame at the take's frame 0."""
    heard = int(np.flatnonzero(~mask.any(axis=1))[0])
    return frame_of(float(recorded[heard, 0])) - heard


def unaccounted(facts: TakeFacts, recorded: NDArray[np.float32], start: int) -> int:
    """Samples that are neither as sent at their place nor listed as missing (and zero)."""
    mask = missing(facts)
    expected = sounds(start, facts.frames, LINES) / np.float32(8_388_608)
    expected[mask] = 0.0
    return int((recorded != expected).sum())


def lost_in(plan: dict[str, Any], facts: TakeFacts, start: int) -> NDArray[np.bool_]:
    """(frames, lines): what the desk never sent, as it was planned."""
    mask = np.zeros((facts.frames, LINES), bool)
    for packet in range(start // PACKET, (start + facts.frames) // PACKET + 1):
        for flow in range(FLOWS):
            if loses(plan, flow, packet):
                first = packet * PACKET - start
                mask[max(first, 0) : max(first + PACKET, 0), flow * CHANNELS : (flow + 1) * CHANNELS] = True
    return mask


def unsure(late: list[int], facts: TakeFacts, start: int) -> NDArray[np.bool_]:
    mask = np.zeros(facts.frames, bool)
    for packet in late:
        first = packet * PACKET - start
        mask[max(first, 0) : max(first + PACKET, 0)] = True
    return mask


def test_what_the_desk_sent_is_on_disk_and_what_never_came_is_listed_line_by_line(show: Path, tmp_path: Path) -> None:
    plan = make_plan(FLOWS, random_loss=[0.0, 0.01, 0.0], cuts=[[2, 4_000, 4_100], [0, 5_000, 5_003]])
    write_descriptions(tmp_path / "sends", plan)
    with desk(tmp_path, plan):
        said = nightreel("record", show, "--from", f"aes67:{tmp_path / 'sends'}", "--plain")
        assert "3 flows on 3 paths" in said
        time.sleep(7.0)
        stop(show)
    facts, recorded = recording(show)
    mask = missing(facts)
    start = place_of(recorded, mask)
    assert unaccounted(facts, recorded, start) == 0
    may_differ = unsure(late_packets(tmp_path), facts, start)
    assert may_differ.mean() < 0.3, "the desk itself was too late: nothing is proven"
    planned = lost_in(plan, facts, start)
    assert planned.any()
    np.testing.assert_array_equal(mask[~may_differ], planned[~may_differ])
    assert {gap.cause for gap in facts.gaps} == {GapCause.NETWORK_LOSS}
    report = json.loads((find_take(show, "last") / "measured" / "source.json").read_text())
    assert [path["flow"] for path in report["paths"]] == ["Desk 1", "Desk 2", "Desk 3"]
    assert report["paths"][1]["lost"] >= 0.5 * planned[:, CHANNELS].sum() / PACKET > 0
    assert all(path["packets"] > 4_000 and path["jitter_ms"] > 0.0 for path in report["paths"])
