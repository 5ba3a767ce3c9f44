"""What we send arrives bit-exact: at our own receiver, and at an independent one (FFmpeg, from our SDP)."""

from __future__ import annotations

import shutil
import subprocess
import threading
import time
from itertools import count
from pathlib import Path

import numpy as np
import pytest
import soundfile
from tests.rtpband import free_port, noise, stream

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67 import placing, rtp, sap, sdp
from nightreel.ports.aes67.announce import Announcer, listen
from nightreel.ports.aes67.duplex import NetworkDuplex
from nightreel.ports.aes67.files import load_streams, require_channels
from nightreel.ports.aes67.send import NetworkSink, fill_packet, stamp
from nightreel.ports.aes67.source import NetworkSource
from nightreel.ports.protocols import Duplex, FrameSink, FrameSource

RATE_HZ = 48_000


def find(needle: np.ndarray, haystack: np.ndarray) -> int:
    """Where the first row of ``needle`` stands in ``haystack``."""
    return int(np.flatnonzero((haystack == needle).all(axis=1))[0])


def test_source_and_sink_keep_the_protocols() -> None:
    assert isinstance(NetworkSource([stream("a")]), FrameSource)
    assert isinstance(NetworkSink([stream("a")]), FrameSink)


@pytest.mark.parametrize("encoding", ["L16", "L24"])
def test_a_packet_of_ours_is_the_packet_of_the_codec(encoding: str) -> None:
    from nightreel.ports.aes67 import payload

    audio = noise(48, 3, bits=8 * payload.SAMPLE_BYTES[encoding])
    packet = np.zeros(1500, np.uint8)
    length = fill_packet(
        packet, audio, 0, 48, 0, 3, payload.SAMPLE_BYTES[encoding], True, False, np.zeros(3, np.float32)
    )
    stamp(packet, 98, 65_535, 0xFEDCBA98, 0x01020304)
    expected = rtp.RtpPacket(
        payload_type=98, sequence=65_535, timestamp=0xFEDCBA98, ssrc=0x01020304, payload=payload.encode(audio, encoding)
    )
    assert packet[:length].tobytes() == rtp.serialise(expected)


def test_late_audio_is_a_hole_without_a_click() -> None:
    last = np.array([0.9], np.float32)
    packet = np.zeros(1500, np.uint8)
    ring = np.full((96, 1), 0.9, np.float32)
    from nightreel.ports.aes67 import payload

    heard = [np.float32(0.9)]
    for have, was_dry in ((False, False), (False, True), (True, True), (True, False)):
        length = fill_packet(packet, ring, 0, 48, 0, 1, 3, have, was_dry, last)
        heard.extend(payload.decode(packet[12:length].tobytes(), "L24", channels=1)[:, 0])
    assert np.abs(np.diff(heard)).max() <= 0.9 / 48 + 1e-6
    assert heard[60] == 0.0
    assert heard[-1] == pytest.approx(0.9, abs=1e-6)


def test_what_is_sent_over_two_networks_is_received_to_the_sample() -> None:
    flows = [stream("left", channels=8, paths=2), stream("right", channels=8, paths=2)]
    audio = noise(RATE_HZ, 16)
    source, sink = NetworkSource(flows), NetworkSink(flows)
    source.start()
    sink.start()
    sink.write(audio)
    sink.flush()
    blocks = []
    while (block := source.read(timeout_s=0.3)) is not None and sum(map(len, blocks)) < 1.2 * RATE_HZ:
        assert not block.gaps
        blocks.append(block.samples)
    statistics = sink.statistics()
    sink.stop()
    source.stop()
    received = np.concatenate(blocks)
    start = find(audio[5000], received)
    frames = min(len(received) - start, RATE_HZ - 5000)
    assert frames > RATE_HZ // 2
    np.testing.assert_array_equal(received[start : start + frames], audio[5000 : 5000 + frames])
    assert statistics.failed == 0
    assert statistics.underruns <= 1  # the end of what was written


def test_an_independent_receiver_gets_our_audio_bit_exact(tmp_path: Path) -> None:
    ffmpeg = shutil.which("ffmpeg")
    assert ffmpeg, "FFmpeg is one of the packages that make test installs"
    flow = sdp.StreamDescription(
        name="to FFmpeg", destinations=(sdp.Destination(address="127.0.0.1", port=free_port()),), payload_type=98,
        encoding="L24", rate_hz=RATE_HZ, channels=2, media_offset=0,
    )  # fmt: skip
    (tmp_path / "ours.sdp").write_text(sdp.serialise(flow), newline="")
    audio = noise(4 * RATE_HZ, 2, seed=9)
    sink = NetworkSink([flow])
    sink.start()
    command = [ffmpeg, "-nostdin", "-loglevel", "error", "-protocol_whitelist", "file,udp,rtp", "-i", "ours.sdp",
               "-t", "1.5", "-c:a", "pcm_s24le", "heard.wav"]  # fmt: skip
    with subprocess.Popen(command, cwd=tmp_path, stderr=subprocess.DEVNULL) as receiver:
        end = time.monotonic() + 30.0
        while receiver.poll() is None and time.monotonic() < end:
            sink.write(audio[: RATE_HZ // 2])
            audio = np.roll(audio, -RATE_HZ // 2, axis=0)
        receiver.kill()
    sink.stop()
    heard, rate_hz = soundfile.read(tmp_path / "heard.wav", dtype="float32")
    endless = np.concatenate([noise(4 * RATE_HZ, 2, seed=9)] * 2)
    assert rate_hz == RATE_HZ
    assert len(heard) > RATE_HZ
    start = find(heard[0], endless)
    np.testing.assert_array_equal(heard, endless[start : start + len(heard)])


class FastClock(threading.Thread):
    """A media clock that runs 0.5 % fast against the computer's: far faster than any real one, so that the scheduling
    noise of a busy test machine cannot hide it."""

    PPM = 5000

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.shared = np.zeros(placing.SHARED_FIELDS, np.int64)
        self.base = np.zeros(1)
        self.shared[placing.BASE_NS] = time.monotonic_ns()
        self.shared[placing.STARTED] = 1
        self.leave = threading.Event()

    def run(self) -> None:
        while not self.leave.wait(0.01):
            elapsed_s = (time.monotonic_ns() - int(self.shared[placing.BASE_NS])) * 1e-9
            self.base[0] = elapsed_s * RATE_HZ * self.PPM * 1e-6


def test_the_media_clock_of_a_received_flow_paces_the_sender() -> None:
    heard_flow, ours = stream("from the desk", channels=2), stream("to the desk", channels=2)
    clock = FastClock()
    clock.start()
    desk = NetworkSink([heard_flow], follow=clock)
    source, back = NetworkSource([heard_flow]), NetworkSource([ours])
    source.start()
    back.start()
    desk.start()
    while source.read(timeout_s=0.5) is None:
        continue
    time.sleep(1.0)
    sink = NetworkSink([ours], follow=source.board)
    sink.start()
    end = time.monotonic() + 3.2
    while time.monotonic() < end:
        source.read(timeout_s=0.02)
        back.read(timeout_s=0.0)
    drift = back.statistics()[0].drift_ppm
    for one in (sink, desk, source, back):
        one.stop()
    clock.leave.set()
    clock.join()
    assert 0.5 * clock.PPM < drift < 1.5 * clock.PPM  # against the computer's clock; 0 would be that clock itself


def test_a_fade_out_is_silent_within_its_time_without_a_step_and_drops_what_was_written_ahead() -> None:
    """What arrives is the tone, then 20 ms down to zero, then nothing of the half second that was still waiting."""
    ours = stream("to the desk", channels=2)
    source, sink = NetworkSource([ours]), NetworkSink([ours])
    source.start()
    sink.start()
    tone = np.float32(0.5) * np.sin(2 * np.pi * 100.0 * np.arange(RATE_HZ) / RATE_HZ).astype(np.float32)
    sink.write(np.repeat(tone[: RATE_HZ // 2, None], 2, axis=1))
    time.sleep(0.2)
    sink.fade_out(0.02)
    time.sleep(0.1)
    sink.write(np.repeat(tone[: RATE_HZ // 10, None], 2, axis=1))
    sink.flush()
    statistics = sink.statistics()
    time.sleep(0.1)
    sink.stop()
    blocks = []
    while (block := source.read(timeout_s=2.0)) is not None and not block.gaps:  # until the sender is gone
        blocks.append(block.samples)
    source.stop()
    heard = np.concatenate(blocks)[:, 0]
    sounding = np.flatnonzero(np.abs(heard) > 1e-6)
    silences = np.flatnonzero(np.diff(sounding) > RATE_HZ // 50)
    assert len(silences) == 1
    end = sounding[silences[0]]
    assert end - sounding[0] < 0.45 * RATE_HZ  # of 0.5 s
    steepest = 0.5 * 2 * np.pi * 100.0 / RATE_HZ + 0.5 / (0.02 * RATE_HZ)
    assert np.abs(np.diff(heard[: end + RATE_HZ // 50])).max() <= steepest + 1e-4
    np.testing.assert_allclose(
        heard[end - 1_440 : end - 1_000], heard[end - 1_440 - 480 : end - 1_000 - 480], atol=1e-4
    )
    assert statistics.underruns <= 1


def test_following_a_flow_that_never_came_is_refused() -> None:
    source = NetworkSource([stream("silent")])
    sink = NetworkSink([stream("ours")], follow=source.board)
    with pytest.raises(NetworkTrouble, match="not arrived"):
        sink.start()


def test_a_flow_that_does_not_fit_a_packet_is_refused() -> None:
    with pytest.raises(NetworkTrouble, match="1440 fit"):
        NetworkSink([stream("wide", channels=64)])


def test_announced_streams_are_heard_and_withdrawn() -> None:
    port = free_port()
    flow = stream("Stage left", channels=8)
    announcer = Announcer([flow], source="127.0.0.1", port=port, every_s=0.2)
    announcer.start()
    heard = listen(seconds=1.0, interface="127.0.0.1", port=port, groups=sap.GROUPS[1:])
    announcer.stop()
    assert heard == (flow,)
    assert listen(seconds=0.3, interface="127.0.0.1", port=port, groups=sap.GROUPS[1:]) == ()


class Echo(threading.Thread):
    """A desk of two flows: sends its own audio, then whatever its returns bring, both on its own clock."""

    def __init__(self, spoken: sdp.StreamDescription, heard: sdp.StreamDescription) -> None:
        super().__init__(daemon=True)
        self.spoken, self.heard = spoken, heard
        self.ready, self.leave = threading.Event(), threading.Event()

    def run(self) -> None:
        sink, source = NetworkSink([self.spoken], ring_s=2.0), NetworkSource([self.heard], delay_s=0.1)
        source.start()
        sink.start()
        sink.write(np.zeros((RATE_HZ // 2, 2), np.float32))
        self.ready.set()
        while not self.leave.is_set():
            block = source.read(timeout_s=0.02)
            if block is not None:
                sink.write(block.samples)
        sink.stop()
        source.stop()


def test_both_ways_on_one_clock_with_a_constant_offset() -> None:
    to_desk, from_desk = stream("returns", channels=2), stream("sends", channels=2)
    desk = Echo(from_desk, to_desk)
    desk.start()
    assert desk.ready.wait(60.0)
    duplex = NetworkDuplex([from_desk], [to_desk])
    assert isinstance(duplex, Duplex)
    duplex.start()
    audio = noise(RATE_HZ, 2, seed=4)
    heard = []
    for index in count():
        part = audio[(index * 700) % RATE_HZ :][:700]
        block = duplex.exchange(part)
        assert block.frames == len(part)
        heard.append(block)
        if sum(b.frames for b in heard) > 3 * RATE_HZ:
            break
    duplex.stop()
    desk.leave.set()
    desk.join()
    assert [b.first_frame for b in heard] == list(np.cumsum([0] + [b.frames for b in heard[:-1]]))
    came = np.concatenate([b.samples for b in heard])
    offsets = set()
    for place in range(5_000, 40_000, 5_000):
        (found,) = np.flatnonzero((came == audio[place]).all(axis=1))[:1]
        np.testing.assert_array_equal(came[found : found + 4_000], audio[place : place + 4_000])
        offsets.add(int(found) - place)
    assert len(offsets) == 1


def test_descriptions_are_loaded_by_name_and_checked_against_the_show(tmp_path: Path) -> None:
    for name in ("2-right", "1-left"):
        (tmp_path / f"{name}.sdp").write_text(sdp.serialise(stream(name)), newline="")
    streams = load_streams(tmp_path)
    assert [one.name for one in streams] == ["1-left", "2-right"]
    require_channels(streams, channels=16, rate_hz=48_000)
    with pytest.raises(NetworkTrouble, match="needs 17"):
        require_channels(streams, channels=17, rate_hz=48_000)
    with pytest.raises(NetworkTrouble, match="the show at 96000"):
        require_channels(streams, channels=16, rate_hz=96_000)


@pytest.mark.parametrize(
    ("content", "words"), [(None, "cannot be read"), (b"\xff\xfe", "UTF-8"), (b"v=0\r\n" * 20_000, "too long")]
)
def test_a_description_that_cannot_be_read_names_its_file(tmp_path: Path, content: bytes | None, words: str) -> None:
    file = tmp_path / "bad.sdp"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(NetworkTrouble, match=words) as caught:
        load_streams(file)
    assert "bad.sdp" in str(caught.value)
