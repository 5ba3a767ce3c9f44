"""Network faults on real sockets, and the account of samples after each: everything received is exact at its place,
and the gaps listed are the samples missing.

Placement by RTP timestamp after RFC 3550; two redundant networks after the idea of SMPTE ST 2022-7 (from memory): a
sample is lost only where both lose it.
"""

from __future__ import annotations

import shutil
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from tests.rtpband import Fate, Sender, free_port, noise, stream, whole

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67 import sdp
from nightreel.ports.aes67.source import SETTLE_S, NetworkSource
from nightreel.timeline import Gap, GapCause

RATE_HZ = 48_000
PACKET = 48
SECONDS = 1.2
FRAMES = int(SECONDS * RATE_HZ) // PACKET * PACKET
SETTLE = round(SETTLE_S * RATE_HZ)


def receive(source: NetworkSource, senders: Sequence[Sender]) -> tuple[NDArray[np.float32], list[Gap]]:
    """Everything the source gives from the first packet to well behind the last."""
    source.start()
    blocks, gaps = [], []
    try:
        begin = time.monotonic() + 0.05
        for sender in senders:
            sender.start_at = begin + (sender.start_at or 0.0)
            sender.start()
        while any(sender.is_alive() for sender in senders):
            block = source.read(timeout_s=0.05)
            if block is not None:
                blocks.append(block.samples)
                gaps.extend(block.gaps)
        while (block := source.read(timeout_s=0.1)) is not None and sum(map(len, blocks)) < FRAMES:
            blocks.append(block.samples)
            gaps.extend(block.gaps)
    finally:
        source.stop()
    return np.concatenate(blocks), gaps


def missing(gaps: Sequence[Gap], shape: tuple[int, int]) -> NDArray[np.bool_]:
    mask = np.zeros(shape, bool)
    for gap in gaps:
        mask[gap.first_frame : gap.end_frame, list(gap.channels) or slice(None)] = True
    return mask


def account(
    received: NDArray[np.float32], gaps: Sequence[Gap], sent: NDArray[np.float32], *, shift: int = SETTLE
) -> NDArray[np.bool_]:
    """Checks that no sample is unaccounted for; returns the mask of missing ones inside what was sent."""
    frames = min(len(received), len(sent) - shift)
    mask = missing(gaps, received.shape)[:frames]
    expected = np.where(mask, np.float32(0.0), sent[shift : shift + frames])
    unaccounted = int((received[:frames] != expected).sum())
    assert unaccounted == 0
    assert frames > 0.8 * (len(sent) - shift)
    return mask


def lost_frames(fate: Fate, *, paths: int) -> set[int]:
    """Frames that no path brings, as the fate says."""
    gone = set()
    for index in range(FRAMES // PACKET):
        if all(not fate(index, path) for path in range(paths)):
            gone.update(range(index * PACKET - SETTLE, (index + 1) * PACKET - SETTLE))
    return {frame for frame in gone if frame >= 0}


def random_loss(index: int, path: int) -> Sequence[float]:
    return () if np.random.default_rng([index, path, 7]).random() < 0.01 else (0.0,)


def bursts(index: int, path: int) -> Sequence[float]:
    return () if 300 <= index < 340 or 700 <= index < 703 else (0.0,)


def reorder_and_duplicate(index: int, path: int) -> Sequence[float]:
    return (0.0, 0.004) if index % 11 == 0 else (0.0055,) if index % 7 == 0 else (0.0,)


def either_network_cut(index: int, path: int) -> Sequence[float]:
    if path == 0 and 200 <= index < 600:
        return ()
    if path == 1 and (700 <= index < 900 or index % 13 == 0):
        return ()
    return (0.0,) if path == 0 else (0.003,)


@pytest.mark.parametrize(
    ("fate", "paths"),
    [(whole, 1), (random_loss, 1), (bursts, 1), (reorder_and_duplicate, 1), (either_network_cut, 2), (random_loss, 2)],
    ids=["whole", "random loss", "bursts", "reordered, duplicated", "one of two networks cut", "loss on both networks"],
)
def test_every_sample_is_received_at_its_place_or_listed_as_missing(fate: Fate, paths: int) -> None:
    one = stream("stage left", paths=paths)
    audio = noise(FRAMES, 8)
    # Sequence number and timestamp both wrap in mid-take.
    sender = Sender(one, audio, fate=fate, first_timestamp=(1 << 32) - 20_000, first_sequence=65_300)
    received, gaps = receive(NetworkSource([one]), [sender])
    mask = account(received, gaps, audio)
    expected = {frame for frame in lost_frames(fate, paths=paths) if frame < len(mask)}
    assert set(np.flatnonzero(mask.any(axis=1))) == expected
    assert all(gap.cause is GapCause.NETWORK_LOSS for gap in gaps)


def test_many_flows_lie_on_one_timeline_to_the_sample() -> None:
    flows = [stream(f"flow {i}", channels=4, media_offset=100_000 * i) for i in range(6)]
    audio = noise(FRAMES, 24)
    senders = [
        Sender(
            flow, audio[:, 4 * i : 4 * i + 4], first_timestamp=100_000 * i + 5_000, fate=lambda k, p, i=i: (0.002 * i,)
        )
        for i, flow in enumerate(flows)
    ]
    received, gaps = receive(NetworkSource(flows), senders)
    assert not account(received, gaps, audio).any()


def test_a_flow_that_comes_late_is_a_gap_of_its_own_lines_only() -> None:
    flows = [stream("early", channels=2), stream("late", channels=2)]
    audio = noise(FRAMES, 4)

    def from_half(index: int, path: int) -> Sequence[float]:
        return (0.0,) if index * PACKET >= FRAMES // 2 else ()

    received, gaps = receive(
        NetworkSource(flows), [Sender(flows[0], audio[:, :2]), Sender(flows[1], audio[:, 2:], fate=from_half)]
    )
    mask = account(received, gaps, audio)
    assert not mask[:, :2].any()
    assert mask[: FRAMES // 2 - SETTLE, 2:].all()
    assert not mask[FRAMES // 2 - SETTLE :, 2:].any()


def test_a_sender_that_restarts_elsewhere_goes_on_at_todays_place() -> None:
    one = stream("restarting", channels=2)
    audio = noise(FRAMES, 2)
    source = NetworkSource([one])
    received, gaps = receive(source, [Sender(one, audio, restart_at=500, restart_jump=987_654_321)])
    before = 500 * PACKET - SETTLE
    np.testing.assert_array_equal(received[:before], audio[SETTLE : SETTLE + before])
    assert sum(gap.frames for gap in gaps if gap.first_frame < FRAMES - SETTLE - RATE_HZ // 10) > 0
    # After the gap the old signal goes on unbroken, a few milliseconds beside its old place at most.
    tail = received[before + RATE_HZ // 5 : before + RATE_HZ // 5 + 480, 0]
    places = np.flatnonzero(audio[:, 0] == tail[0])
    matches = [p for p in places if np.array_equal(audio[p : p + 480, 0], tail)]
    assert len(matches) == 1
    assert abs(matches[0] - SETTLE - (before + RATE_HZ // 5)) < 0.02 * RATE_HZ
    assert source.statistics()[0].realigned == 1


def test_garbage_is_counted_and_dropped() -> None:
    import socket

    one = stream("clean", channels=2)
    audio = noise(FRAMES, 2)
    source = NetworkSource([one])
    source.start()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as vandal:
        for junk in (
            b"",
            b"\x80",
            b"\x80\x60" + b"\0" * 11,
            b"\x80\x61" + b"\0" * 298,
            b"\x00" * 100,
            b"\xbf\x60" + b"\xff" * 60,
        ):
            vandal.sendto(junk, ("127.0.0.1", one.destinations[0].port))
    time.sleep(0.1)
    assert any("another payload type" in words for words in source.warnings)
    statistics = source.statistics()[0]
    source.stop()
    assert statistics.malformed == 5
    assert statistics.foreign == 1
    assert statistics.packets == 0
    received, gaps = receive(source, [Sender(one, audio)])
    assert not account(received, gaps, audio).any()


def test_an_independent_senders_audio_arrives_bit_exact(tmp_path: Path) -> None:
    """FFmpeg's RTP muxer as the sender: L24 (RFC 3190), its own SDP, real time. It states no media clock."""
    ffmpeg = shutil.which("ffmpeg")
    assert ffmpeg, "FFmpeg is one of the packages that make test installs"
    audio = noise(2 * RATE_HZ, 2, seed=5)
    soundfile.write(tmp_path / "sent.wav", audio, RATE_HZ, subtype="PCM_24")
    port = free_port()
    description = tmp_path / "stream.sdp"
    command = [ffmpeg, "-nostdin", "-loglevel", "error", "-re", "-i", "sent.wav", "-c:a", "pcm_s24be", "-f", "rtp",
               "-sdp_file", str(description), f"rtp://127.0.0.1:{port}?pkt_size=300"]  # fmt: skip
    probe = sdp.StreamDescription(
        name="from FFmpeg", destinations=(sdp.Destination(address="127.0.0.1", port=port),), payload_type=97,
        encoding="L24", rate_hz=RATE_HZ, channels=2,
    )  # fmt: skip
    source = NetworkSource([probe])
    source.start()
    blocks = []
    with subprocess.Popen(command, cwd=tmp_path) as sender:
        end = time.monotonic() + 20.0
        while sum(map(len, blocks)) < 1.5 * RATE_HZ and time.monotonic() < end:
            block = source.read(timeout_s=0.1)
            if block is not None:
                assert not block.gaps
                blocks.append(block.samples)
        assert sender.wait(timeout=20) == 0
    source.stop()
    described = sdp.parse(description.read_text().removeprefix("SDP:\n"))
    assert (described.encoding, described.rate_hz, described.channels) == ("L24", RATE_HZ, 2)
    assert described.destinations[0].port == port
    received = np.concatenate(blocks)
    start = int(np.flatnonzero((audio == received[0]).all(axis=1))[0])
    frames = min(len(received), len(audio) - start)
    assert frames > RATE_HZ
    np.testing.assert_array_equal(received[:frames], audio[start : start + frames])


def test_streams_of_two_rates_are_refused_before_anything_is_opened() -> None:
    with pytest.raises(NetworkTrouble, match="different rates"):
        NetworkSource([stream("a"), stream("b", rate_hz=96_000)])


def test_a_port_that_is_no_address_of_this_machine_is_said_and_nothing_stays_open() -> None:
    bad = sdp.StreamDescription(
        name="elsewhere", destinations=(sdp.Destination(address="203.0.113.7", port=5004),), payload_type=96,
        encoding="L24", rate_hz=RATE_HZ, channels=2,
    )  # fmt: skip
    source = NetworkSource([stream("fine"), bad])
    with pytest.raises(NetworkTrouble, match="network card"):
        source.start()
    assert source._ears == []


def test_flows_without_a_common_clock_are_warned_about() -> None:
    source = NetworkSource([stream("a"), stream("b", media_offset=None, reference_clock="")])
    words = " ".join(source.warnings)
    assert "aligned by its arrival only" in words
    assert "different reference clocks" in words
