"""Many network flows as one source of frames, aligned to the sample.

Flows that state their relation to one reference clock (``mediaclk:direct``) are placed by it; a flow that states none
is placed by its first arrival and then by its own timestamps, which the report says. The read head follows the newest
frame at a fixed distance, or the computer's clock where nothing arrives, so that a cut network becomes a gap of the
right length in a take that goes on.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67 import placing
from nightreel.ports.aes67.batches import Board, Receiver, compile_receiver, make_board
from nightreel.ports.aes67.payload import SAMPLE_BYTES
from nightreel.ports.aes67.sdp import StreamDescription, find_clashes
from nightreel.ports.aes67.sockets import Ear, buffer_warning, open_ear
from nightreel.ports.protocols import Block
from nightreel.timeline import Gap, GapCause

SETTLE_S = 0.05  # the take begins this long after the first packet, when every running flow has arrived
SILENT_NETWORK_S = 0.5  # past this much without packets the head follows the computer's clock


@dataclass(frozen=True, slots=True, kw_only=True)
class PathStatistics:
    """What one network delivered for one flow. Loss and reordering by sequence number; jitter by RFC 3550."""

    flow: str
    address: str
    packets: int
    lost: int
    reordered: int
    duplicates: int
    late: int
    malformed: int
    foreign: int
    misfit: int  # packets dropped because payload and timestamps contradict each other
    jitter_ms: float
    drift_ppm: float
    realigned: int
    sender_changes: int
    buffer_bytes: int


class NetworkSource:
    """A FrameSource over AES67 flows; channels in the order of the streams.

    interfaces : addresses of the network cards, one a network ('' lets the system choose); the second belongs to the
        second destination of each stream
    delay_s : distance of the read head behind the newest frame; what is later than this is lost
    """

    def __init__(
        self,
        streams: Sequence[StreamDescription],
        *,
        interfaces: Sequence[str] = ("", ""),
        delay_s: float = 0.2,
        ring_s: float = 5.0,
        block_s: float = 0.02,
    ) -> None:
        if not streams:
            raise NetworkTrouble("no stream is named", now="Give at least one SDP file")
        problems = find_clashes(streams)
        if problems:
            raise NetworkTrouble("these streams cannot be received together: " + "; ".join(problems))
        self._streams = tuple(streams)
        self._interfaces = tuple(interfaces)
        self._rate_hz = streams[0].rate_hz
        self._channels = sum(stream.channels for stream in streams)
        self._delay_frames = round(delay_s * self._rate_hz)
        self._block_frames = max(1, round(block_s * self._rate_hz))
        self._ring_frames = round(max(ring_s, 4 * delay_s) * self._rate_hz)
        self._ears: list[Ear] = []
        self._receiver: Receiver | None = None
        self._make_board()

    def _make_board(self) -> None:
        facts = np.zeros((len(self._streams), 6), np.int64)
        self._flow_channels: list[tuple[int, ...]] = []
        path_flow: list[int] = []
        self._paths: list[tuple[StreamDescription, int]] = []
        first_channel = 0
        for flow, stream in enumerate(self._streams):
            facts[flow] = (
                stream.payload_type,
                SAMPLE_BYTES[stream.encoding],
                stream.channels,
                first_channel,
                stream.media_offset or 0,
                stream.media_offset is not None,
            )
            self._flow_channels.append(tuple(range(first_channel, first_channel + stream.channels)))
            first_channel += stream.channels
            for network in range(len(stream.destinations)):
                path_flow.append(flow)
                self._paths.append((stream, network))
        self._board = make_board(
            rate_hz=self._rate_hz,
            channels=self._channels,
            ring_frames=self._ring_frames,
            settle_frames=round(SETTLE_S * self._rate_hz),
            flow_facts=facts,
            path_flow=path_flow,
        )
        self._runs = np.zeros((self._block_frames + 1, 2), np.int64)

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def channels(self) -> int:
        return self._channels

    @property
    def clock(self) -> str:
        clocks = sorted({stream.reference_clock or "none stated" for stream in self._streams})
        return "network clock: " + ", ".join(clocks)

    @property
    def board(self) -> Board:
        """The arrays of the running receiver, for a sender that follows its media clock."""
        return self._board

    @property
    def warnings(self) -> tuple[str, ...]:
        """What an engineer should know before the show: small buffers, flows without a common clock."""
        found = []
        for (stream, _), ear in zip(self._paths, self._ears, strict=False):
            rate = stream.rate_hz * stream.channels * SAMPLE_BYTES[stream.encoding] * 1.1
            words = buffer_warning(ear.buffer_bytes, bytes_per_s=rate)
            if words:
                found.append(f"{stream.name}: {words}")
        clocks = {stream.reference_clock for stream in self._streams}
        for stream in self._streams:
            if stream.media_offset is None:
                found.append(
                    f"{stream.name}: states no media clock offset, so it is aligned by its arrival only, "
                    "within a few milliseconds of the other flows"
                )
            elif not stream.reference_clock:
                found.append(f"{stream.name}: names no reference clock; check that sender and desk share one")
        if len(clocks) > 1:
            found.append("the streams name different reference clocks: they will drift against each other")
        return tuple(found) + self._mismatches()

    def _mismatches(self) -> tuple[str, ...]:
        """What the packets show: flows that are not what their description says, and senders that changed."""
        found = []
        for one in self.statistics():
            if one.packets == 0 and one.foreign:
                found.append(
                    f"{one.flow}: what comes to {one.address} has another payload type than its description states: "
                    "ask the sender for a fresh SDP file"
                )
            elif one.packets == 0 and one.malformed:
                found.append(
                    f"{one.flow}: what comes to {one.address} is no whole frames of what its description states: "
                    "check its encoding and channel count"
                )
            elif one.misfit:
                found.append(
                    f"{one.flow}: packets to {one.address} hold more or less than their timestamps say and were "
                    "dropped: check encoding and channel count, ask the sender for a fresh SDP file"
                )
            if one.realigned:
                found.append(
                    f"{one.flow}: the sender restarted on other timestamps; it goes on at today's place, "
                    "aligned by its arrival"
                )
        return tuple(dict.fromkeys(found))

    def report(self) -> dict[str, Any]:
        """See :class:`nightreel.ports.protocols.HasReport`; ``paths`` holds a row a flow and network."""
        paths = self.statistics()
        lost, late = sum(path.lost for path in paths), sum(path.late for path in paths)
        jitter_ms = max(path.jitter_ms for path in paths)
        drift_ppm = max((path.drift_ppm for path in paths), key=abs)
        return {
            "kind": "AES67",
            "summary": f"{len(self._streams)} flows on {len(paths)} paths: {lost} packets lost, {late} late, "
            f"jitter {jitter_ms:.2f} ms, drift {drift_ppm:+.1f} ppm",
            "clock": self.clock,
            "paths": [asdict(path) for path in paths],
            "warnings": list(self.warnings),
        }

    def start(self) -> None:
        if self._receiver is not None:
            return
        compile_receiver()
        self._make_board()
        try:
            for stream, network in self._paths:
                interface = self._interfaces[network] if network < len(self._interfaces) else ""
                self._ears.append(open_ear(stream.destinations[network], interface=interface))
        except NetworkTrouble:
            self._close_ears()
            raise
        self._receiver = Receiver(self._ears, self._board)
        self._receiver.start()

    def read(self, *, timeout_s: float) -> Block | None:
        deadline = time.monotonic() + timeout_s
        while True:
            if self._receiver is None:
                raise NetworkTrouble("is not started")
            if self._receiver.failure is not None:
                raise NetworkTrouble(f"the receiver stopped: {self._receiver.failure}") from self._receiver.failure
            block = self._take_block()
            if block is not None:
                return block
            left = deadline - time.monotonic()
            if left <= 0:
                return None
            time.sleep(min(left, self._block_frames / self._rate_hz / 2))

    def _reach(self) -> int:
        """First frame that may not be read yet."""
        shared = self._board.shared
        if not shared[placing.STARTED]:
            return 0
        by_packets = int(shared[placing.NEWEST]) - self._delay_frames
        drained_s = (int(shared[placing.DRAINED_NS]) - int(shared[placing.BASE_NS])) * 1e-9
        by_clock = int(self._board.base[0] + (drained_s - SILENT_NETWORK_S) * self._rate_hz) - self._delay_frames
        return max(by_packets, by_clock)

    def _take_block(self) -> Block | None:
        shared, board = self._board.shared, self._board
        first = int(shared[placing.DONE])
        frames = min(self._reach() - first, self._block_frames)
        if frames < self._block_frames:
            return None
        shared[placing.HEAD] = first + frames
        gaps = []
        missing: list[tuple[int, int, int]] = []
        for flow in range(len(self._streams)):
            count = placing.missing_runs(board.present, flow, first, frames, self._runs)
            missing.extend((flow, int(a), int(n)) for a, n in self._runs[:count])
        rows = np.arange(first, first + frames) % self._ring_frames
        samples = board.ring[rows]
        for flow, at, count in missing:
            channels = self._flow_channels[flow]
            samples[at - first : at - first + count, channels[0] : channels[-1] + 1] = 0.0
            gaps.append(Gap(first_frame=at, frames=count, cause=GapCause.NETWORK_LOSS, channels=channels))
        shared[placing.DONE] = first + frames
        return Block(first_frame=first, samples=samples, gaps=_whole_network(gaps, len(self._streams)))

    def stop(self) -> None:
        if self._receiver is not None:
            self._receiver.finish()
            self._receiver = None
        self._close_ears()

    def _close_ears(self) -> None:
        for ear in self._ears:
            ear.socket.close()
        self._ears = []

    def statistics(self) -> tuple[PathStatistics, ...]:
        """Figures since the start, one a path."""
        result = []
        for path, (stream, network) in enumerate(self._paths):
            state, clock = self._board.path_state[path], self._board.path_clock[path]
            flow = self._board.flow_state[self._board.path_flow[path]]
            elapsed_s = clock[placing.LAST_S] - clock[placing.FIRST_S] - 1.0
            drift = (clock[placing.OFFSET_FIRST] - clock[placing.OFFSET_NOW]) / self._rate_hz
            result.append(
                PathStatistics(
                    flow=stream.name,
                    address=f"{stream.destinations[network].address}:{stream.destinations[network].port}",
                    packets=int(state[placing.PACKETS]),
                    lost=int(state[placing.LOST]),
                    reordered=int(state[placing.REORDERED]),
                    duplicates=int(state[placing.DUPLICATE]),
                    late=int(state[placing.LATE]),
                    malformed=int(state[placing.MALFORMED]),
                    foreign=int(state[placing.FOREIGN]),
                    misfit=int(state[placing.MISFIT]),
                    jitter_ms=float(clock[placing.JITTER]) / self._rate_hz * 1000.0,
                    drift_ppm=float(drift / elapsed_s * 1e6) if elapsed_s > 1.0 else 0.0,
                    realigned=int(flow[placing.REALIGNED]),
                    sender_changes=int(flow[placing.SSRC_CHANGES]),
                    buffer_bytes=self._ears[path].buffer_bytes if path < len(self._ears) else 0,
                )
            )
        return tuple(result)


def _whole_network(gaps: list[Gap], flows: int) -> tuple[Gap, ...]:
    """Gaps that every flow shares are said once, for all channels; the rest stay each flow's own."""
    if flows == 1:
        return tuple(Gap(first_frame=g.first_frame, frames=g.frames, cause=g.cause) for g in gaps)
    spans: dict[tuple[int, int], list[Gap]] = {}
    for gap in gaps:
        spans.setdefault((gap.first_frame, gap.frames), []).append(gap)
    merged = []
    for (first, frames), same in spans.items():
        if len(same) == flows:
            merged.append(Gap(first_frame=first, frames=frames, cause=GapCause.NETWORK_LOSS))
        else:
            merged.extend(same)
    return tuple(sorted(merged))
