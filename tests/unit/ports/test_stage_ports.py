"""The simulated stage behind the protocols: time, gaps, underruns."""

import numpy as np
import pytest

from nightreel.ports.protocols import Duplex, EndOfFrames, FrameSink, FrameSource
from nightreel.ports.stage import Desk, SimulatedStage, StageDuplex, StageSink, StageSource, inputs_from_array
from nightreel.timeline import Gap, GapCause

RATE_HZ = 48_000


def ramp(frames, channels):
    return ((np.arange(frames)[:, None] * channels + np.arange(channels) + 1) / 2**23).astype(np.float32)


def stage(lines=3):
    return SimulatedStage(Desk.straight(rate_hz=RATE_HZ, lines=lines))


def read_all(source):
    blocks = []
    while True:
        try:
            blocks.append(source.read(timeout_s=1.0))
        except EndOfFrames:
            return blocks


def test_a_source_delivers_what_the_band_plays_in_contiguous_blocks_and_then_ends():
    played = ramp(5000, 3)
    source = StageSource(stage(), inputs_from_array(played), frames=5000, block_frames=999, speed=None)
    assert isinstance(source, FrameSource)
    source.start()
    blocks = read_all(source)
    assert [b.first_frame for b in blocks] == list(range(0, 5000, 999))
    assert np.array_equal(np.concatenate([b.samples for b in blocks]), played)
    assert all(b.gaps == () for b in blocks)


def test_planted_gaps_are_zeros_and_are_listed_block_by_block():
    played = ramp(3000, 3)
    gaps = [Gap(first_frame=900, frames=300, cause=GapCause.NETWORK_LOSS, channels=(1,))]
    source = StageSource(stage(), inputs_from_array(played), frames=3000, block_frames=1000, speed=None, gaps=gaps)
    blocks = read_all(source)
    listed = [(g.first_frame, g.frames, g.channels) for b in blocks for g in b.gaps]
    assert listed == [(900, 100, (1,)), (1000, 200, (1,))]
    expected = played.copy()
    expected[900:1200, 1] = 0
    assert np.array_equal(np.concatenate([b.samples for b in blocks]), expected)


def test_in_real_time_a_read_gives_nothing_before_its_time():
    source = StageSource(stage(), frames=None, block_frames=48_000, speed=1.0)
    source.start()
    assert source.read(timeout_s=0.01) is None


def test_a_sink_plays_into_the_returns():
    heard = []
    desk = Desk.straight(rate_hz=RATE_HZ, lines=3).at_soundcheck()
    sink = StageSink(SimulatedStage(desk), heard=heard.append, speed=None)
    assert isinstance(sink, FrameSink)
    sink.start()
    played = ramp(2000, 3)
    sink.write(played[:700])
    sink.write(played[700:])
    sink.flush()
    sink.stop()
    assert np.array_equal(np.concatenate(heard), played)
    assert sink.underruns == 0


def test_a_late_writer_makes_the_sink_play_silence_and_count_it():
    heard = []
    desk = Desk.straight(rate_hz=RATE_HZ, lines=1).at_soundcheck()
    sink = StageSink(SimulatedStage(desk), heard=heard.append, speed=1000.0)
    sink.start()
    sink.write(ramp(10, 1))
    while sum(len(h) for h in heard) == 10:
        sink.write(ramp(10, 1))
    assert sink.underruns >= 1


def test_a_duplex_returns_what_was_captured_while_it_played():
    desk = Desk.straight(rate_hz=RATE_HZ, lines=3).at_soundcheck().delayed(0, 5)
    duplex = StageDuplex(SimulatedStage(desk), speed=None)
    assert isinstance(duplex, Duplex)
    played = ramp(1000, 3)
    duplex.start()
    block = duplex.exchange(played)
    assert np.array_equal(block.samples[:, 1:], played[:, 1:])
    assert np.array_equal(block.samples[5:, 0], played[:-5, 0])


@pytest.mark.parametrize("first", [0, 7])
def test_a_band_can_repeat_its_song_or_fall_silent_after_it(first):
    song = ramp(10, 2)
    assert np.array_equal(inputs_from_array(song, repeat=True)(first, 13), np.tile(song, (3, 1))[first : first + 13])
    assert not inputs_from_array(song)(first + 10, 4).any()
