"""Clocks that pace a sender. RFC 7273 section 5: with direct=0 a timestamp is TAI seconds times the rate, mod 2^32."""

from __future__ import annotations

import socket
import time
from pathlib import Path

from tests.rtpband import noise, stream

from nightreel.ports.aes67 import rtp
from nightreel.ports.aes67.clocks import ClockHealth, TaiClock, read_clock_health
from nightreel.ports.aes67.send import NetworkSink


def test_what_the_system_says_of_its_clock_is_read_without_a_claim(tmp_path: Path) -> None:
    (tmp_path / "proc" / "12").mkdir(parents=True)
    (tmp_path / "proc" / "12" / "comm").write_text("ptp4l\n")
    (tmp_path / "cards" / "ptp0").mkdir(parents=True)
    health = read_clock_health(proc=tmp_path / "proc", cards=tmp_path / "cards")
    assert health.programs == ("ptp4l",)
    assert health.hardware_clocks == ("ptp0",)


def test_only_a_disciplined_clock_that_knows_tai_may_pace() -> None:
    facts = {"estimated_error_us": 1, "hardware_clocks": ("ptp0",)}
    good = ClockHealth(synchronised=True, tai_offset_s=37, programs=("ptp4l",), **facts)
    assert good.may_pace_by_tai
    for broken in ({"synchronised": False}, {"tai_offset_s": 0}, {"programs": ()}):
        health = ClockHealth(**{"synchronised": True, "tai_offset_s": 37, "programs": ("ptp4l",), **facts, **broken})
        assert not health.may_pace_by_tai
        assert "not known to follow PTP" in health.sentence()


def test_packets_paced_by_tai_carry_the_timestamps_of_their_moment() -> None:
    flow = stream("by TAI", channels=2)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", flow.destinations[0].port))
        ear.settimeout(5.0)
        clock = TaiClock(rate_hz=48_000)
        sink = NetworkSink([flow], follow=clock)
        sink.start()
        sink.write(noise(24_000, 2))
        errors = []
        for _ in range(200):
            packet = rtp.parse(ear.recv(2048))
            now_ns = time.clock_gettime_ns(11)  # CLOCK_TAI
            due = rtp.timestamp_at(now_ns // 10**9, rate_hz=48_000, fraction=now_ns % 10**9 * 1e-9)
            errors.append(rtp.extend_counter(packet.timestamp, bits=32, near=due) - due)
        sink.stop()
        clock.stop()
    # Sent when due: the timestamp lies at most scheduling noise behind the moment of its arrival, never ahead of it.
    errors.sort()
    assert -480 < errors[len(errors) // 2] <= 48
