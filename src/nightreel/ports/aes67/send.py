"""Frames out as AES67 flows, paced by a compiled thread that never takes Python's lock.

The pace comes from one of three clocks: the computer's own (``follow=None``), TAI where the system clock is disciplined
by PTP, or the media clock of a received flow, so that no PTP stack is needed: the receiver keeps the relation between
media frames and the computer's clock, and every packet is timed by it. Packets are stamped with consecutive RTP
timestamps (RFC 3550 section 5.1); the payload is that of RFC 3190. When the writer is late the last sample of each
channel is led to zero within one packet, silence follows, and the programme comes back over a ramp: a listener hears a
hole, never a click.
"""

from __future__ import annotations

import ctypes
import socket
import threading
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67 import placing
from nightreel.ports.aes67.batches import LINUX_BATCHES
from nightreel.ports.aes67.clocks import MediaClock
from nightreel.ports.aes67.payload import MAX_PAYLOAD_BYTES, SAMPLE_BYTES
from nightreel.ports.aes67.rtp import HEADER_BYTES
from nightreel.ports.aes67.sdp import StreamDescription
from nightreel.ports.aes67.sockets import open_mouth
from nightreel.ports.protocols import FloatArray

# positions in `counters` (int64)
WRITTEN, SENT, STOP, UNDERRUNS, LATEST_NS, LATE_SUM_NS, PACKETS, START_NS, TIMESTAMP, FAILED, DRY, FADE, FADED = range(
    13
)
COUNTERS = 13
LEAD_S = 0.005  # the first packet goes out this long after the start


@dataclass(frozen=True, slots=True, kw_only=True)
class SendStatistics:
    """How punctual the packets were against their due time on the pacing clock."""

    packets: int
    mean_late_ms: float
    latest_ms: float
    underruns: int
    failed: int


@njit(cache=True, nogil=True, inline="always")
def _put_sample(packet: NDArray[np.uint8], at: int, sample: float, sample_bytes: int) -> None:
    full = 8388608.0 if sample_bytes == 3 else 32768.0
    value = np.int64(np.rint(min(max(sample * full, -full), full - 1.0)))
    if sample_bytes == 3:
        packet[at] = (value >> 16) & 0xFF
        packet[at + 1] = (value >> 8) & 0xFF
        packet[at + 2] = value & 0xFF
    else:
        packet[at] = (value >> 8) & 0xFF
        packet[at + 1] = value & 0xFF


@njit(cache=True, nogil=True)
def fill_packet(
    packet: NDArray[np.uint8], ring: NDArray[np.float32], first_frame: int, frames: int, first_channel: int,
    channels: int, sample_bytes: int, have: bool, was_dry: bool, last: NDArray[np.float32],
) -> int:  # fmt: skip
    """Payload of one packet behind its header; returns the packet's length. ``last`` keeps each channel's end value.

    have : the ring holds these frames; was_dry : the packet before this one was silence (ramp back in)
    """
    at = HEADER_BYTES
    ring_frames = ring.shape[0]
    for index in range(frames):
        row = (first_frame + index) % ring_frames
        rise = (index + 1) / frames
        for channel in range(channels):
            if have:
                sample = ring[row, first_channel + channel]
                if was_dry:
                    sample *= np.float32(rise)
            else:
                sample = last[first_channel + channel] * np.float32(1.0 - rise)
            _put_sample(packet, at, sample, sample_bytes)
            at += sample_bytes
    for channel in range(channels):
        end = (first_frame + frames - 1) % ring_frames
        last[first_channel + channel] = ring[end, first_channel + channel] if have else np.float32(0.0)
    return at


@njit(cache=True, nogil=True)
def fade_ahead(ring: NDArray[np.float32], counters: NDArray[np.int64], first_frame: int, frames: int) -> None:
    """Lead the frames of the next packet towards silence, where somebody has asked for it (``FADE`` frames in all)."""
    for index in range(frames):
        gain = 1.0 - (counters[FADED] + index + 1) / counters[FADE]
        ring[(first_frame + index) % ring.shape[0]] *= np.float32(max(gain, 0.0))
    counters[FADED] += frames


@njit(cache=True, nogil=True)
def stamp(packet: NDArray[np.uint8], payload_type: int, sequence: int, timestamp: int, ssrc: int) -> None:
    """The fixed header of RFC 3550 section 5.1."""
    packet[0] = 0x80
    packet[1] = payload_type
    packet[2] = (sequence >> 8) & 0xFF
    packet[3] = sequence & 0xFF
    for byte in range(4):
        packet[4 + byte] = (timestamp >> (24 - 8 * byte)) & 0xFF
        packet[8 + byte] = (ssrc >> (24 - 8 * byte)) & 0xFF


if LINUX_BATCHES:
    _libc = ctypes.CDLL(None, use_errno=False)
    _send = _libc.send
    _send.argtypes = [ctypes.c_int, ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int]
    _send.restype = ctypes.c_ssize_t
    _clock_nanosleep = _libc.clock_nanosleep
    _clock_nanosleep.argtypes = [ctypes.c_int, ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p]
    _clock_nanosleep.restype = ctypes.c_int
    _clock_gettime = _libc.clock_gettime
    _clock_gettime.argtypes = [ctypes.c_int, ctypes.c_void_p]
    _clock_gettime.restype = ctypes.c_int
    _MONOTONIC, _ABSTIME, _NOSIGNAL = 1, 1, 0x4000

    @njit(nogil=True)
    def _send_loop(  # type: ignore[no-untyped-def]
        ring, counters, last, moment, packet, flows, paths, rate_hz, frames, following, followed, followed_base,
        followed_shift,
    ):  # fmt: skip
        """flows: payload type, sample bytes, channels, first channel, media offset, ssrc, sequence; paths: fd, flow."""
        number = 0
        while not counters[STOP]:
            first = number * frames
            if following:
                due_ns = followed[placing.BASE_NS] + np.int64(
                    (first + followed_shift - followed_base[0]) * 1e9 / rate_hz
                )
            else:
                due_ns = counters[START_NS] + np.int64(first * 1e9 / rate_hz)
            moment[0] = due_ns // 1000000000
            moment[1] = due_ns % 1000000000
            _clock_nanosleep(np.int32(_MONOTONIC), np.int32(_ABSTIME), moment.ctypes.data, np.uint64(0))
            _clock_gettime(np.int32(_MONOTONIC), moment.ctypes.data)
            late_ns = moment[0] * 1000000000 + moment[1] - due_ns
            counters[LATEST_NS] = max(counters[LATEST_NS], late_ns)
            counters[LATE_SUM_NS] += late_ns
            counters[PACKETS] += 1
            take_from = counters[SENT]
            have = counters[WRITTEN] >= take_from + frames
            was_dry = counters[DRY] == 1
            fading = counters[FADE] > 0
            if fading and have:
                fade_ahead(ring, counters, take_from, frames)
            for flow in range(flows.shape[0]):
                length = fill_packet(
                    packet, ring, take_from, frames, flows[flow, 3], flows[flow, 2], flows[flow, 1], have, was_dry, last
                )
                timestamp = (counters[TIMESTAMP] + first + flows[flow, 4]) & 0xFFFFFFFF
                stamp(packet, flows[flow, 0], (flows[flow, 6] + number) & 0xFFFF, timestamp, flows[flow, 5])
                for path in range(paths.shape[0]):
                    if paths[path, 1] == flow:
                        done = _send(
                            np.int32(paths[path, 0]), packet.ctypes.data, np.uint64(length), np.int32(_NOSIGNAL)
                        )
                        if done != length:
                            counters[FAILED] += 1
            if have:
                counters[SENT] = take_from + frames
                counters[DRY] = 0
            else:
                if not was_dry and counters[WRITTEN] > 0 and not fading:
                    counters[UNDERRUNS] += 1
                counters[DRY] = 1
            if fading and (not have or counters[FADED] >= counters[FADE]):
                counters[SENT] = counters[WRITTEN]  # what was written ahead is thrown away
                counters[DRY] = 1
                counters[FADED] = 0
                counters[FADE] = 0
            number += 1


class NetworkSink:
    """A FrameSink over AES67 flows; channels in the order of the streams, all with one packet time.

    follow : the clock that paces the packets and whose timestamps they continue: the ``board`` of a started
        :class:`NetworkSource`, or a :class:`TaiClock`. None paces by the computer's clock.
    """

    def __init__(
        self,
        streams: Sequence[StreamDescription],
        *,
        interfaces: Sequence[str] = ("", ""),
        follow: MediaClock | None = None,
        ring_s: float = 1.0,
        first_timestamp: int = 0,
    ) -> None:
        if not LINUX_BATCHES:
            raise NetworkTrouble(
                "sending network audio needs 64-bit Linux", now="Play through a sound device on this machine"
            )
        _check_streams(streams)
        self._streams = tuple(streams)
        self._interfaces = tuple(interfaces)
        self._follow = follow
        self._rate_hz = streams[0].rate_hz
        self._frames = streams[0].frames_per_packet
        self._channels = sum(stream.channels for stream in streams)
        ring_packets = max(8, round(ring_s * self._rate_hz / self._frames))
        self._ring = np.zeros((ring_packets * self._frames, self._channels), np.float32)
        self._counters = np.zeros(COUNTERS, np.int64)
        self._first_timestamp = first_timestamp
        self._mouths: list[socket.socket] = []
        self._thread: threading.Thread | None = None

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def channels(self) -> int:
        return self._channels

    @property
    def underruns(self) -> int:
        return int(self._counters[UNDERRUNS])

    def start(self) -> None:
        if self._thread is not None:
            return
        if self._follow is not None and not self._follow.shared[placing.STARTED]:
            raise NetworkTrouble(
                "the flow whose clock is to be followed has not arrived yet",
                now="Start its sender, or pace by the computer",
            )
        flows = np.zeros((len(self._streams), 7), np.int64)
        first_channel = 0
        mouths = []
        try:
            for index, stream in enumerate(self._streams):
                ssrc = int(np.random.default_rng().integers(1, 1 << 32))
                flows[index] = (
                    stream.payload_type,
                    SAMPLE_BYTES[stream.encoding],
                    stream.channels,
                    first_channel,
                    stream.media_offset or 0,
                    ssrc,
                    0,
                )
                first_channel += stream.channels
                for network, destination in enumerate(stream.destinations):
                    interface = self._interfaces[network] if network < len(self._interfaces) else ""
                    mouths.append((open_mouth(destination, interface=interface), index))
        except NetworkTrouble:
            for mouth, _ in mouths:
                mouth.close()
            raise
        paths = np.array([(mouth.fileno(), index) for mouth, index in mouths], np.int64)
        self._mouths = [mouth for mouth, _ in mouths]
        self._counters[:] = 0
        self._loop(flows, paths, stop_at_once=True)  # compile before the first packet is due
        self._counters[:] = 0
        self._thread = threading.Thread(target=self._loop, args=(flows, paths), name="network sender", daemon=True)
        self._thread.start()

    def _loop(self, flows: NDArray[np.int64], paths: NDArray[np.int64], *, stop_at_once: bool = False) -> None:
        counters = self._counters
        counters[STOP] = int(stop_at_once)
        shift = 0
        shared, base = np.zeros(placing.SHARED_FIELDS, np.int64), np.zeros(1)
        counters[TIMESTAMP] = self._first_timestamp
        counters[START_NS] = time.monotonic_ns() + round(LEAD_S * 1e9)
        if self._follow is not None:
            shared, base = self._follow.shared, self._follow.base
            elapsed_s = (time.monotonic_ns() - int(shared[placing.BASE_NS])) * 1e-9 + LEAD_S
            shift = int(base[0] + elapsed_s * self._rate_hz)
            counters[TIMESTAMP] = (int(shared[placing.ORIGIN]) + shift) % (1 << 32)
        packet = np.zeros(HEADER_BYTES + MAX_PAYLOAD_BYTES + 8, np.uint8)
        _send_loop(
            self._ring, counters, np.zeros(self._channels, np.float32), np.zeros(2, np.int64), packet, flows, paths,
            self._rate_hz, self._frames, self._follow is not None, shared, base, shift,
        )  # fmt: skip

    def write(self, samples: FloatArray) -> None:
        done = 0
        ring_frames = len(self._ring)
        while done < len(samples):
            if self._thread is None:
                raise NetworkTrouble("the sender is not started")
            room = ring_frames - int(self._counters[WRITTEN] - self._counters[SENT])
            count = min(room, len(samples) - done)
            if count <= 0:
                time.sleep(self._frames / self._rate_hz)
                continue
            rows = np.arange(self._counters[WRITTEN], self._counters[WRITTEN] + count) % ring_frames
            self._ring[rows] = samples[done : done + count]
            self._counters[WRITTEN] += count
            done += count

    def flush(self) -> None:
        """Wait until what was written is sent; a last part of a packet is completed with silence."""
        rest = int(-(self._counters[WRITTEN] - self._counters[SENT]) % self._frames)
        if rest:
            self.write(np.zeros((rest, self._channels), np.float32))
        while self._thread is not None and self._counters[SENT] < self._counters[WRITTEN]:
            time.sleep(self._frames / self._rate_hz)

    def fade_out(self, seconds: float = 0.02) -> None:
        """The quickest way to silence without a click: from the next packet on; what was written ahead is dropped.

        Blocks until silent. Not while another thread writes; ``write`` plays again afterwards.
        """
        if self._thread is None:
            return
        self._counters[FADE] = max(1, round(seconds * self._rate_hz))
        while self._thread.is_alive() and self._counters[FADE]:
            time.sleep(self._frames / self._rate_hz)

    def stop(self) -> None:
        if self._thread is None:
            return
        self._counters[STOP] = 1
        self._thread.join(timeout=5.0)
        self._thread = None
        for mouth in self._mouths:
            mouth.close()
        self._mouths = []

    @property
    def warnings(self) -> tuple[str, ...]:
        """What an engineer should know of the sending."""
        if int(self._counters[FAILED]):
            return ("packets were refused: nobody listens at the address, or the network card is down",)
        return ()

    def report(self) -> dict[str, Any]:
        """See :class:`nightreel.ports.protocols.HasReport`."""
        sent = self.statistics()
        return {
            "kind": "AES67 out",
            "summary": f"{len(self._streams)} flows, {sent.packets} packets each, {sent.mean_late_ms:.2f} ms "
            f"after their time on average, {sent.latest_ms:.2f} ms at the latest; {sent.failed} refused, "
            f"{sent.underruns} underruns",
            "packet_time_ms": self._frames / self._rate_hz * 1000.0,
            **asdict(sent),
            "warnings": list(self.warnings),
        }

    def statistics(self) -> SendStatistics:
        packets = max(1, int(self._counters[PACKETS]))
        return SendStatistics(
            packets=int(self._counters[PACKETS]),
            mean_late_ms=float(self._counters[LATE_SUM_NS]) / packets * 1e-6,
            latest_ms=float(self._counters[LATEST_NS]) * 1e-6,
            underruns=self.underruns,
            failed=int(self._counters[FAILED]),
        )


def _check_streams(streams: Sequence[StreamDescription]) -> None:
    if not streams:
        raise NetworkTrouble("no stream is named", now="Give at least one stream to send")
    first = streams[0]
    for stream in streams:
        if (stream.rate_hz, stream.frames_per_packet) != (first.rate_hz, first.frames_per_packet):
            raise NetworkTrouble(
                f"'{stream.name}' has another rate or packet time than '{first.name}'",
                now="Send both at one rate and packet time",
            )
        size = stream.frames_per_packet * stream.channels * SAMPLE_BYTES[stream.encoding]
        if size > MAX_PAYLOAD_BYTES:
            raise NetworkTrouble(
                f"'{stream.name}': {stream.channels} channels at {stream.packet_time_ms:g} ms make {size} bytes "
                f"a packet; {MAX_PAYLOAD_BYTES} fit",
                now="Use fewer channels a flow or a shorter packet time",
            )
