"""Files of ours as other readers see them, and theirs as we see them: libsndfile, FFmpeg, wavinfo."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo

from nightreel.units import Encoding
from nightreel.wave import (
    Bext,
    Cue,
    FileSet,
    Ixml,
    IxmlTrack,
    WaveFormat,
    WaveReader,
    WaveWriter,
)

SUBTYPES = {
    Encoding.PCM16: "PCM_16",
    Encoding.PCM24: "PCM_24",
    Encoding.PCM32: "PCM_32",
    Encoding.FLOAT32: "FLOAT",
}
CODECS = {
    Encoding.PCM16: "pcm_s16le",
    Encoding.PCM24: "pcm_s24le",
    Encoding.PCM32: "pcm_s32le",
    Encoding.FLOAT32: "pcm_f32le",
}


def probe(path: Path, *what: str) -> dict[str, list[dict[str, object]]]:
    run = subprocess.run(["ffprobe", "-v", "error", "-of", "json", *what, str(path)], capture_output=True, check=True)
    assert run.stderr == b""
    answer: dict[str, list[dict[str, object]]] = json.loads(run.stdout)
    return answer


def noise(frames: int, channels: int) -> np.ndarray:
    return np.random.default_rng(channels).uniform(-1, 1, (frames, channels)).astype(np.float32)


@pytest.mark.parametrize("encoding", list(Encoding))
@pytest.mark.parametrize("channels", [1, 2, 3, 64])
def test_libsndfile_and_ffmpeg_read_our_files(tmp_path: Path, encoding: Encoding, channels: int) -> None:
    path = tmp_path / "a.wav"
    fmt = WaveFormat(rate_hz=96_000, channels=channels, encoding=encoding)
    with WaveWriter.create(path, fmt, bext=Bext(coding_history="A=PCM"), ixml=Ixml(project="x")) as writer:
        writer.write(noise(1001, channels))
        writer.set_cues([Cue(frame=3, label="three")])
    info = soundfile.info(path)
    assert (info.samplerate, info.channels, info.frames) == (96_000, channels, 1001)
    assert info.subtype == SUBTYPES[encoding]
    theirs, _ = soundfile.read(path, dtype="float32", always_2d=True)
    with WaveReader(path) as reader:
        assert np.array_equal(reader.read(0, 1001), theirs)
    stream = probe(path, "-show_entries", "stream=codec_name,sample_rate,channels,duration_ts")["streams"][0]
    assert stream == {
        "codec_name": CODECS[encoding],
        "sample_rate": "96000",
        "channels": channels,
        "duration_ts": 1001,
    }


@pytest.mark.parametrize("encoding", list(Encoding))
@pytest.mark.parametrize("kind", ["WAV", "WAVEX", "RF64"])
def test_we_read_libsndfile_s_files(tmp_path: Path, encoding: Encoding, kind: str) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(777, 6), 44_100, format=kind, subtype=SUBTYPES[encoding])
    theirs, _ = soundfile.read(path, dtype="float32", always_2d=True)
    with WaveReader(path) as reader:
        assert reader.format == WaveFormat(
            rate_hz=44_100, channels=6, encoding=encoding, channel_mask=reader.format.channel_mask
        )
        assert reader.frames == reader.frames_present == 777
        assert np.array_equal(reader.read(0, 777), theirs)
        assert reader.form == ("RF64" if kind == "RF64" else "RIFF")


@pytest.mark.parametrize("rf64", ["never", "auto", "always"])
def test_we_read_ffmpeg_s_files_with_their_bext(tmp_path: Path, rf64: str) -> None:
    source, path = tmp_path / "s.wav", tmp_path / "a.wav"
    soundfile.write(source, noise(480, 2), 48_000, subtype="PCM_24")
    subprocess.run(
        f"ffmpeg -v error -i {source} -c:a pcm_s24le -rf64 {rf64} -write_bext 1"
        f" -metadata time_reference=1728000000 -metadata description=Night {path}".split(),
        check=True,
    )
    with WaveReader(path) as reader:
        assert reader.frames_present == 480
        assert reader.bext is not None
        assert reader.bext.time_reference_frames == 1_728_000_000
        assert reader.bext.description == "Night"
        assert np.array_equal(reader.read(0, 480), soundfile.read(source, dtype="float32")[0])


def test_wavinfo_reads_our_metadata(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    bext = Bext(
        description="Kick In",
        originator="Nightreel",
        origination_date="2026-11-28",
        origination_time="20:15:00",
        time_reference_frames=6_912_000_000,
        integrated_lufs=-23.0,
        loudness_range_lu=8.5,
        max_true_peak_dbtp=-1.0,
        max_momentary_lufs=-15.0,
        max_short_term_lufs=-18.0,
        coding_history="A=PCM,F=48000,W=24,M=mono,T=Nightreel",
    )
    ixml = Ixml(
        project="Saltmarsh Lanterns",
        scene="Late Ferry",
        take="evening-1",
        tracks=(IxmlTrack(channel_index=1, interleave_index=1, name="Kick In", function="mic"),),
        file_set=FileSet(total_files=32, family_uid="F", family_name="evening-1", index="1"),
    )
    fmt = WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24)
    with WaveWriter.create(path, fmt, bext=bext, ixml=ixml) as writer:
        writer.write(noise(4801, 1))
        writer.set_cues([Cue(frame=480, label="Song 1"), Cue(frame=2400, label="Song Two", note="encore")])
    seen = wavinfo.WavInfoReader(str(path))
    assert seen.data.frame_count == 4801
    theirs = seen.bext.to_dict()
    assert theirs["time_reference"] == 6_912_000_000
    assert theirs["description"] == "Kick In"
    assert theirs["loudness_value"] == -23.0
    assert theirs["loudness_range"] == 8.5
    assert theirs["max_true_peak"] == -1.0
    assert theirs["max_momentary_loudness"] == -15.0
    assert theirs["max_shortterm_loudness"] == -18.0
    assert theirs["coding_history"].strip() == "A=PCM,F=48000,W=24,M=mono,T=Nightreel"
    assert (seen.ixml.project, seen.ixml.scene, seen.ixml.take) == ("Saltmarsh Lanterns", "Late Ferry", "evening-1")
    assert [(t.channel_index, t.interleave_index, t.name, t.function) for t in seen.ixml.track_list] == [
        ("1", "1", "Kick In", "mic")
    ]
    assert seen.ixml.family_name == "evening-1"
    cues = seen.cues.to_dict()
    assert [(c["frame"], c["label"]) for c in cues.values()] == [(480, "Song 1"), (2400, "Song Two")]


def test_ffprobe_reads_our_cues_and_time_reference(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    fmt = WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24)
    bext = Bext(time_reference_frames=1_728_000_000, origination_date="2026-11-28", description="Kick In")
    with WaveWriter.create(path, fmt, bext=bext) as writer:
        writer.write(noise(4800, 1))
        writer.set_cues([Cue(frame=480, label="Song 1"), Cue(frame=2400, label="Späte Fähre")])
    answer = probe(path, "-show_chapters", "-show_entries", "format_tags")
    assert [(c["start"], c["end"], c["tags"]["title"]) for c in answer["chapters"]] == [  # type: ignore[index]
        (480, 2400, "Song 1"),
        (2400, 4800, "Späte Fähre"),
    ]
    tags = answer["format"]["tags"]  # type: ignore[call-overload]
    assert tags["time_reference"] == "1728000000"
    assert tags["date"] == "2026-11-28"
    assert tags["comment"] == "Kick In"


def test_every_reader_opens_our_rf64(tmp_path: Path) -> None:
    """Made from a small file by the writer's own transition, which needs no 4 GiB to be shown."""
    path = tmp_path / "a.wav"
    fmt = WaveFormat(rate_hz=48_000, channels=2, encoding=Encoding.PCM24)
    writer = WaveWriter.create(path, fmt, bext=Bext(description="large"))
    writer._large = True  # what passing 4 GiB sets
    writer.write(noise(480, 2))
    writer.close()
    assert soundfile.info(path).frames == 480
    assert soundfile.info(path).format == "RF64"
    assert probe(path, "-show_entries", "stream=duration_ts")["streams"][0]["duration_ts"] == 480
    seen = wavinfo.WavInfoReader(str(path))
    assert seen.data.frame_count == 480
    assert seen.bext.description == "large"
    theirs, _ = soundfile.read(path, dtype="float32")
    with WaveReader(path) as reader:
        assert np.array_equal(reader.read(0, 480), theirs)


def test_between_the_two_writes_of_the_transition_readers_find_the_old_size(tmp_path: Path) -> None:
    """RF64 and ds64 stand already, the data size is still the 32-bit one of the last checkpoint."""
    path = tmp_path / "a.wav"
    fmt = WaveFormat(rate_hz=48_000, channels=2, encoding=Encoding.PCM24)
    writer = WaveWriter.create(path, fmt)
    writer.write(noise(480, 2))
    writer.checkpoint()
    before = path.read_bytes()[4092:4096]
    writer._large = True
    writer.write(noise(480, 2))
    writer.checkpoint()
    writer.abandon()
    data = bytearray(path.read_bytes())
    assert data[4092:4096] == b"\xff\xff\xff\xff"
    data[4092:4096] = before
    path.write_bytes(data)
    with WaveReader(path) as reader:
        assert reader.frames_present == 480
    # libsndfile and FFmpeg take the size in ds64 at once: samples that were durable before it was written
    assert soundfile.info(path).frames == 960
    assert probe(path, "-show_entries", "stream=duration_ts")["streams"][0]["duration_ts"] == 960
