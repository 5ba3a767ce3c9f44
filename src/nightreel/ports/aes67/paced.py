"""Flows out on the best clock at hand, chosen once at the start and said in one sentence.

1. TAI, where the system clock is disciplined by PTP (:mod:`clocks`): timestamps are those of ``mediaclk:direct=0``.
2. The media clock of the desk's own flows, where they are named: no PTP stack is needed.
3. This computer's clock; the desk has to convert the rate then, or clicks now and again.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67 import placing
from nightreel.ports.aes67.clocks import ClockHealth, MediaClock, TaiClock, read_clock_health
from nightreel.ports.aes67.sdp import StreamDescription
from nightreel.ports.aes67.send import NetworkSink
from nightreel.ports.aes67.source import NetworkSource
from nightreel.ports.protocols import FloatArray

PATIENCE_S = 5.0
AHEAD_S = 0.2  # what is held ready
SETTLE_S = 0.3  # of a followed clock, before the first packet is timed by it
BY_TAI = "Packets are timed by TAI: the system clock is disciplined and a PTP program runs."
BY_FLOW = "Packets are timed by the media clock of the desk's flow '{}'."
BY_COMPUTER = (
    "Packets are timed by this computer's own clock: the desk must convert the rate of these flows, or it will click"
)


class PacedSink:
    """A FrameSink over AES67 flows; ``heard`` are the desk's own flows, to be followed where TAI is not known.

    health : asked at the start
    """

    def __init__(
        self,
        spoken: Sequence[StreamDescription],
        *,
        heard: Sequence[StreamDescription] = (),
        interfaces: Sequence[str] = ("", ""),
        health: Callable[[], ClockHealth] = read_clock_health,
    ) -> None:
        self._spoken, self._heard = tuple(spoken), tuple(heard)
        self._interfaces = tuple(interfaces)
        self._health = health
        self._source: NetworkSource | None = None
        self._tai: TaiClock | None = None
        self._sink = NetworkSink(self._spoken, interfaces=self._interfaces, ring_s=AHEAD_S)
        self._pace = ""
        if heard and heard[0].rate_hz != self._sink.rate_hz:
            raise NetworkTrouble(
                "the flows to the desk and from it run at different rates", now="Describe both at the desk's rate"
            )

    @property
    def rate_hz(self) -> int:
        return self._sink.rate_hz

    @property
    def channels(self) -> int:
        return self._sink.channels

    @property
    def underruns(self) -> int:
        return self._sink.underruns

    @property
    def pace(self) -> str:
        """Which clock times the packets, as one sentence; '' before the start."""
        return self._pace

    def start(self) -> None:
        """Raises NetworkTrouble where the desk's flows were named and none arrives; nothing is left open then."""
        try:
            follow = self._choose()
            self._sink = NetworkSink(self._spoken, interfaces=self._interfaces, follow=follow, ring_s=AHEAD_S)
            self._sink.start()
        except NetworkTrouble:
            self.stop()
            raise

    def _choose(self) -> MediaClock | None:
        if self._health().may_pace_by_tai:
            self._tai, self._pace = TaiClock(rate_hz=self.rate_hz), BY_TAI
            return self._tai
        if not self._heard:
            self._pace = BY_COMPUTER
            return None
        self._source = NetworkSource(self._heard, interfaces=self._interfaces)
        self._source.start()
        end = time.monotonic() + PATIENCE_S
        while not self._source.board.shared[placing.STARTED]:
            if time.monotonic() > end:
                raise NetworkTrouble(
                    "no flow of the desk has arrived, whose clock could be followed",
                    now="Check that its streams are switched on; without '+' our own clock times the packets",
                )
            time.sleep(0.02)
        time.sleep(SETTLE_S)
        self._pace = BY_FLOW.format(self._heard[0].name)
        return self._source.board

    def write(self, samples: FloatArray) -> None:
        self._sink.write(samples)

    def flush(self) -> None:
        self._sink.flush()

    def fade_out(self, seconds: float = 0.02) -> None:
        """See :meth:`NetworkSink.fade_out`."""
        self._sink.fade_out(seconds)

    def stop(self) -> None:
        self._sink.stop()
        if self._source is not None:
            self._source.stop()
            self._source = None
        if self._tai is not None:
            self._tai.stop()
            self._tai = None

    @property
    def warnings(self) -> tuple[str, ...]:
        own = (BY_COMPUTER,) if self._pace == BY_COMPUTER else ()
        return own + self._sink.warnings

    def report(self) -> dict[str, Any]:
        """See :class:`nightreel.ports.protocols.HasReport`; ``pace`` says which clock times the packets."""
        return {**self._sink.report(), "pace": self._pace, "warnings": list(self.warnings)}
