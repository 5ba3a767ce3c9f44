"""Which clock times what we send, and what is said of it; flows of a restarted desk stay aligned."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from tests.rtpband import noise, stream

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67 import paced, payload, placing, rtp
from nightreel.ports.aes67.batches import PACKET_BYTES
from nightreel.ports.aes67.clocks import ClockHealth
from nightreel.ports.aes67.files import load_streams
from nightreel.ports.aes67.paced import PacedSink
from nightreel.ports.aes67.sdp import serialise
from nightreel.ports.aes67.source import NetworkSource
from nightreel.ports.protocols import FrameSink, HasReport

RATE_HZ = 48_000
PACKET = 48


def health(*programs: str) -> Callable[[], ClockHealth]:
    words = ClockHealth(
        synchronised=bool(programs), tai_offset_s=37, estimated_error_us=None, hardware_clocks=(), programs=programs
    )
    return lambda: words


def test_a_disciplined_clock_times_the_packets_with_the_timestamps_of_tai() -> None:
    """RFC 7273 section 5: with mediaclk:direct=0 the timestamp is TAI seconds times the rate, modulo 2**32."""
    ours = stream("ours", channels=2)
    source, sink = NetworkSource([ours]), PacedSink([ours], health=health("ptp4l"))
    assert isinstance(sink, FrameSink)
    assert isinstance(sink, HasReport)
    source.start()
    sink.start()
    sink.write(noise(4_800, 2))
    while not source.board.shared[placing.STARTED]:
        time.sleep(0.01)
    tai_s = time.clock_gettime_ns(time.CLOCK_TAI) * 1e-9
    timestamp = int(source.board.shared[placing.ORIGIN])
    now = rtp.timestamp_at(int(tai_s), rate_hz=RATE_HZ, fraction=tai_s % 1.0)
    sink.stop()
    source.stop()
    assert sink.pace == paced.BY_TAI
    assert abs(rtp.extend_counter(timestamp, bits=32, near=now) - now) < 5 * RATE_HZ  # slow machines
    assert json.loads(json.dumps(sink.report()))["pace"] == paced.BY_TAI


def test_without_ptp_or_a_flow_our_own_clock_is_said_to_be_used() -> None:
    sink = PacedSink([stream("ours", channels=2)], health=health())
    sink.start()
    sink.write(noise(4_800, 2))
    sink.flush()
    sink.stop()
    assert sink.pace == paced.BY_COMPUTER
    assert sink.warnings[0] == paced.BY_COMPUTER
    assert sink.report()["packets"] >= 100


def test_a_desk_that_sends_nothing_is_said_and_nothing_stays_open(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paced, "PATIENCE_S", 0.2)
    sink = PacedSink([stream("ours")], heard=[stream("desk")], health=health())
    with pytest.raises(NetworkTrouble, match="no flow of the desk"):
        sink.start()
    sink.stop()


def test_flows_of_another_rate_than_the_desk_are_refused() -> None:
    with pytest.raises(NetworkTrouble, match="different rates"):
        PacedSink([stream("ours")], heard=[stream("desk", rate_hz=96_000)])


def test_descriptions_are_taken_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    for number in (10, 9, 1):
        (tmp_path / f"desk {number}.sdp").write_text(serialise(stream(f"flow {number}")))
    assert [one.name for one in load_streams(tmp_path)] == ["flow 1", "flow 9", "flow 10"]


def test_flows_of_a_restarted_desk_stay_aligned_to_the_sample() -> None:
    """All timestamps jump by the same amount; the flows arrive 2 ms apart, which must not become their offset."""
    source = NetworkSource([stream("a", channels=1), stream("b", channels=1, media_offset=70_000)])
    board = source.board
    audio = noise(400 * PACKET, 1)
    for index in range(400):
        jump = 0 if index < 200 else 1_234_567_890
        for path, offset in ((0, 0), (1, 70_000)):
            packet = rtp.serialise(
                rtp.RtpPacket(
                    payload_type=96,
                    sequence=index,
                    timestamp=(index * PACKET + jump + offset) % (1 << 32),
                    ssrc=5 if index < 200 else 6,
                    payload=payload.encode(audio[index * PACKET : (index + 1) * PACKET], "L24"),
                )
            )
            buffer = np.zeros(PACKET_BYTES, np.uint8)
            buffer[: len(packet)] = np.frombuffer(packet, np.uint8)
            board.place(buffer, len(packet), 10**9 + index * 10**6 + path * 2 * 10**6, path)
    assert board.flow_state[:, placing.REALIGNED].tolist() == [1, 1]
    rows = np.flatnonzero(board.present.all(axis=0))
    assert len(rows) == (400 - 50 - 16) * PACKET  # without the settling time, and what shows that all has jumped
    np.testing.assert_array_equal(board.ring[rows, 0], board.ring[rows, 1])
    assert any("restarted" in words for words in source.warnings)
