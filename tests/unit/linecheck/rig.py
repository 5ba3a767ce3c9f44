"""A show of straight patches and a simulated desk to check it through."""

from __future__ import annotations

from datetime import UTC, datetime

from nightreel.linecheck import ExpectedPatch, Explanation, Identified, PatchedLine, explain, identify
from nightreel.ports.desk import Desk, Feed
from nightreel.ports.stage import SimulatedStage, StageDuplex

AT = datetime(2026, 11, 28, 15, 30, tzinfo=UTC)


def straight_patch(lines: int, partners: dict[int, int] | None = None) -> ExpectedPatch:
    partners = partners or {}
    patched = tuple(
        PatchedLine(number=n, name=f"Name {n}", return_number=n, send_number=n, partner=partners.get(n))
        for n in range(1, lines + 1)
    )
    return ExpectedPatch(link="usb", lines=patched)


def quiet_desk(lines: int, rate_hz: int = 48_000) -> Desk:
    desk = Desk.straight(rate_hz=rate_hz, lines=lines, feed=Feed.RETURN)
    return desk.with_all(latency_frames=57, noise_dbfs=-92.0)


def check(desk: Desk, patch: ExpectedPatch | None = None) -> tuple[Identified, Explanation]:
    patch = patch or straight_patch(desk.sends)
    duplex = StageDuplex(SimulatedStage(desk), speed=None)
    identified = identify(duplex, patch.return_numbers, amplifiers_muted=True)
    assert isinstance(identified, Identified)
    return identified, explain(identified.matrix, patch, return_numbers=patch.return_numbers, at=AT)


def sentences(explanation: Explanation) -> str:
    return "\n".join(statement.text for statement in explanation.statements)
