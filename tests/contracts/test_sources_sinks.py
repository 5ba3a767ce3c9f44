"""What every source, sink and duplex promises, whatever is behind it."""

import itertools

import numpy as np
import pytest
from tests.jackband import band, ears
from tests.jackserver import running_jack

from nightreel import ports
from nightreel.errors import NightreelError
from nightreel.ports.protocols import Duplex, EndOfFrames, FrameSink, FrameSource
from nightreel.ports.stage import Desk, SimulatedStage, StageDuplex, StageSink, StageSource, inputs_from_array
from nightreel.timeline import Gap, GapCause, join_gaps
from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveReader, WaveWriter

RATE_HZ = 48_000
CHANNELS = 4
FRAMES = RATE_HZ


def noise_24(frames=FRAMES, channels=CHANNELS, seed=3):
    steps = np.random.default_rng(seed).integers(-(2**23), 2**23, (frames, channels))
    return (steps / 2**23).astype(np.float32)


def write_wave(path, samples):
    form = WaveFormat(rate_hz=RATE_HZ, channels=samples.shape[1], encoding=Encoding.PCM24)
    with WaveWriter.create(path, form) as writer:
        writer.write(samples)
    return path


@pytest.fixture(scope="module")
def server():
    # Synchronous, so that the server waits for its clients and what is exact can be held to it (see tests/faults).
    with pytest.MonkeyPatch.context() as patch, running_jack(patch, channels=CHANNELS, synchronous=True) as running:
        yield running


@pytest.fixture(params=["files", "stage", "stage with gaps", "device", "portaudio", "jack"])
def source(request, tmp_path):
    if request.param == "files":
        whole = noise_24()
        paths = [write_wave(tmp_path / f"{n}.wav", whole[: FRAMES - 5000 * n, n : n + 1]) for n in range(CHANNELS)]
        yield ports.FileSource(paths, block_frames=999)
    elif request.param.startswith("stage"):
        lost = Gap(first_frame=700, frames=1000, cause=GapCause.NETWORK_LOSS, channels=(2,))
        yield StageSource(
            SimulatedStage(Desk.straight(rate_hz=RATE_HZ, lines=CHANNELS)),
            inputs_from_array(noise_24()),
            frames=FRAMES,
            speed=20.0,
            gaps=[lost] if "gaps" in request.param else (),
        )
    else:
        server = request.getfixturevalue("server")
        with band(server.name, CHANNELS):
            if request.param == "jack":
                made = ports.JackSource(device="band", rate_hz=RATE_HZ, channels=CHANNELS)
            else:
                made = ports.DeviceSource(
                    device="band",
                    rate_hz=RATE_HZ,
                    channels=CHANNELS,
                    through_portaudio=request.param == "portaudio",
                )
            yield made
            made.stop()


def read_for(source, frames):
    blocks, position = [], 0
    while position < frames:
        try:
            block = source.read(timeout_s=5.0)
        except EndOfFrames:
            break
        assert block is not None
        blocks.append(block)
        position += block.frames
    return blocks


def test_a_source_gives_contiguous_blocks_from_frame_0_whose_gaps_lie_inside_and_are_silent(source):
    assert isinstance(source, FrameSource)
    assert source.rate_hz == RATE_HZ
    assert source.channels == CHANNELS
    assert source.clock
    source.start()
    blocks = read_for(source, FRAMES)
    source.stop()
    source.stop()
    position = 0
    for block in blocks:
        assert block.first_frame == position
        assert block.samples.shape == (block.frames, CHANNELS)
        assert block.samples.dtype == np.float32
        assert block.frames > 0
        position += block.frames
        for gap in block.gaps:
            assert gap.first_frame >= block.first_frame
            assert gap.end_frame <= position
            silent = block.samples[gap.first_frame - block.first_frame : gap.end_frame - block.first_frame]
            assert not silent[:, list(gap.channels) or slice(None)].any()
    assert position >= FRAMES


def test_what_a_source_gave_is_the_caller_s_to_keep(source):
    source.start()
    first = read_for(source, 1)[0]
    kept = first.samples.copy()
    read_for(source, 5000)
    source.stop()
    assert np.array_equal(first.samples, kept)


def test_a_source_lists_the_same_gap_only_once(source):
    source.start()
    gaps = [gap for block in read_for(source, FRAMES) for gap in block.gaps]
    source.stop()
    for one, other in itertools.combinations(gaps, 2):
        same = set(one.channels) & set(other.channels) if one.channels and other.channels else True
        assert not (same and one.first_frame < other.end_frame and other.first_frame < one.end_frame)
    assert len(join_gaps(gaps)) <= len(gaps)


@pytest.fixture(params=["file", "files", "stage", "device", "portaudio", "jack"])
def sink(request, tmp_path):
    """A sink, and how to get back what it played."""
    options = {"rate_hz": RATE_HZ, "channels": CHANNELS}
    if request.param == "file":
        yield ports.FileSink([tmp_path / "all.wav"], **options), lambda: read_wave(tmp_path / "all.wav")
    elif request.param == "files":
        paths = [tmp_path / f"{n}.wav" for n in range(CHANNELS)]
        yield ports.FileSink(paths, **options), lambda: np.concatenate([read_wave(p) for p in paths], axis=1)
    elif request.param == "stage":
        heard = []
        desk = Desk.straight(rate_hz=RATE_HZ, lines=CHANNELS).at_soundcheck()
        yield StageSink(SimulatedStage(desk), heard=heard.append, speed=None), lambda: np.concatenate(heard)
    else:
        server = request.getfixturevalue("server")
        with ears(server.name, CHANNELS, seconds=6.0) as listener:
            if request.param == "jack":
                made = ports.JackSink(device="ears", **options)
            else:
                made = ports.DeviceSink(device="ears", through_portaudio=request.param == "portaudio", **options)
            yield made, lambda: np.array(listener.tape)
            made.stop()


def read_wave(path):
    with WaveReader(path) as reader:
        return reader.read(0, reader.frames)


def test_a_sink_plays_what_was_written_once_and_in_order(sink):
    made, played = sink
    assert isinstance(made, FrameSink)
    assert (made.rate_hz, made.channels) == (RATE_HZ, CHANNELS)
    programme = noise_24(RATE_HZ // 2)
    made.start()
    for first in range(0, len(programme), 1234):
        made.write(programme[first : first + 1234])
    made.flush()
    assert made.underruns == 0
    made.stop()
    made.stop()
    tape = played()
    at = np.flatnonzero((tape == programme[0]).all(axis=1))
    assert at.size == 1
    assert np.array_equal(tape[at[0] : at[0] + len(programme)], programme)


def test_a_sink_refuses_a_block_of_another_width(sink):
    made, _ = sink
    made.start()
    with pytest.raises(NightreelError):
        made.write(np.zeros((10, CHANNELS + 1), np.float32))
    made.stop()


@pytest.fixture(params=["stage", "device", "portaudio", "jack"])
def duplex(request):
    """A duplex whose returns come back on its sends."""
    if request.param == "stage":
        desk = Desk.straight(rate_hz=RATE_HZ, lines=CHANNELS).at_soundcheck().with_all(latency_frames=321)
        yield StageDuplex(SimulatedStage(desk), speed=None)
        return
    server = request.getfixturevalue("server")
    from tests.jackband import desk as jack_desk

    with jack_desk(server.name, CHANNELS):
        options = {"device": "desk", "rate_hz": RATE_HZ, "sends": CHANNELS, "returns": CHANNELS}
        if request.param == "jack":
            made = ports.JackDuplex(**options)
        else:
            made = ports.DeviceDuplex(through_portaudio=request.param == "portaudio", **options)
        yield made
        made.stop()


def test_a_duplex_gives_as_many_frames_as_it_gets_at_one_constant_offset(duplex):
    assert isinstance(duplex, Duplex)
    assert (duplex.rate_hz, duplex.sends, duplex.returns) == (RATE_HZ, CHANNELS, CHANNELS)
    programme = noise_24(RATE_HZ)
    duplex.start()
    heard, gaps, position = [], [], 0
    for first in range(0, len(programme), 480):
        block = duplex.exchange(programme[first : first + 480])
        assert block.first_frame == position
        assert block.samples.shape == (480, CHANNELS)
        position += 480
        heard.append(block.samples)
        gaps += block.gaps
    duplex.stop()
    heard = np.concatenate(heard)
    places = {frame.tobytes(): place for place, frame in enumerate(programme)}
    offsets = [at - places[frame.tobytes()] for at, frame in enumerate(heard) if frame.tobytes() in places]
    assert len(set(offsets)) == 1
    # Where nothing was skipped and the caller was in time, all of it comes back.
    if not gaps and not getattr(duplex, "underruns", 0):
        assert len(offsets) == len(programme) - offsets[0]
    assert len(offsets) > len(programme) / 4
