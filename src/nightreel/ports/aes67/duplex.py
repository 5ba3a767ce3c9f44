"""Both ways over the network on one clock: what is sent follows the media clock of what is received."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67 import placing
from nightreel.ports.aes67.sdp import StreamDescription
from nightreel.ports.aes67.send import NetworkSink
from nightreel.ports.aes67.source import NetworkSource
from nightreel.ports.protocols import Block, FloatArray
from nightreel.timeline import Gap

CUSHION_S = 0.1
DELAY_S = 0.05
PATIENCE_S = 5.0


class NetworkDuplex:
    """A Duplex over AES67: ``heard`` are the desk's flows (sends), ``spoken`` our own (returns)."""

    def __init__(
        self,
        heard: Sequence[StreamDescription],
        spoken: Sequence[StreamDescription],
        *,
        interfaces: Sequence[str] = ("", ""),
    ) -> None:
        self._source = NetworkSource(heard, interfaces=interfaces, delay_s=DELAY_S)
        self._spoken = tuple(spoken)
        self._interfaces = tuple(interfaces)
        self._sink: NetworkSink | None = None
        self._held: list[Block] = []
        self._next_frame = self._origin = -1  # before the first exchange
        if spoken and spoken[0].rate_hz != self._source.rate_hz:
            raise NetworkTrouble("the flows to the desk and from it run at different rates")

    @property
    def rate_hz(self) -> int:
        return self._source.rate_hz

    @property
    def sends(self) -> int:
        return self._source.channels

    @property
    def returns(self) -> int:
        return sum(stream.channels for stream in self._spoken)

    def start(self) -> None:
        """Waits for the desk's flows, whose clock is then followed."""
        self._source.start()
        try:
            end = time.monotonic() + PATIENCE_S
            while self._source.read(timeout_s=0.1) is None:
                if time.monotonic() > end:
                    raise NetworkTrouble(
                        "no flow of the desk has arrived", now="Check that its streams are switched on"
                    )
            self._sink = NetworkSink(self._spoken, interfaces=self._interfaces, follow=self._source.board)
            self._sink.start()
        except NetworkTrouble:
            self.stop()
            raise
        self._held = []
        self._next_frame = self._origin = -1

    def _begin(self, sink: NetworkSink) -> None:
        """Pass over what arrived since the start, so that the first frames exchanged are of now."""
        while (block := self._source.read(timeout_s=0.0)) is not None:
            self._next_frame = block.first_frame + block.frames
        if self._next_frame < 0:
            self._next_frame = int(self._source.board.shared[placing.DONE])
        self._origin = self._next_frame
        sink.write(np.zeros((round(CUSHION_S * self.rate_hz), self.returns), np.float32))

    def exchange(self, played: FloatArray) -> Block:
        if self._sink is None:
            raise NetworkTrouble("is not started")
        if self._origin < 0:
            self._begin(self._sink)
        self._sink.write(played)
        wanted = len(played)
        end = time.monotonic() + PATIENCE_S + wanted / self.rate_hz
        while sum(block.frames for block in self._held) < wanted:
            block = self._source.read(timeout_s=0.1)
            if block is not None:
                self._held.append(block)
            elif time.monotonic() > end:
                raise NetworkTrouble("nothing arrives from the desk any more", now="Check the network cable")
        samples = np.concatenate([block.samples for block in self._held])
        gaps = [gap for block in self._held for gap in block.gaps]
        first, end_frame = self._next_frame, self._next_frame + wanted
        rest = Block(
            first_frame=end_frame,
            samples=samples[wanted:],
            gaps=tuple(_inside(gaps, end_frame, end_frame + len(samples))),
        )
        self._held = [rest] if rest.frames else []
        self._next_frame = end_frame
        return Block(
            first_frame=first - self._origin,
            samples=samples[:wanted],
            gaps=tuple(replace(g, first_frame=g.first_frame - self._origin) for g in _inside(gaps, first, end_frame)),
        )

    @property
    def warnings(self) -> tuple[str, ...]:
        return self._source.warnings + (self._sink.warnings if self._sink is not None else ())

    def report(self) -> dict[str, Any]:
        """See :class:`nightreel.ports.protocols.HasReport`: what is heard, and ``out`` what is sent."""
        out = self._sink.report() if self._sink is not None else {}
        return {**self._source.report(), "out": out}

    def stop(self) -> None:
        if self._sink is not None:
            self._sink.stop()
            self._sink = None
        self._source.stop()


def _inside(gaps: Sequence[Gap], first_frame: int, end_frame: int) -> list[Gap]:
    """The parts of gaps that lie between two frames."""
    parts = []
    for gap in gaps:
        start, end = max(gap.first_frame, first_frame), min(gap.end_frame, end_frame)
        if start < end:
            parts.append(replace(gap, first_frame=start, frames=end - start))
    return parts
