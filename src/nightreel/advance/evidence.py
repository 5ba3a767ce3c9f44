"""What was found out rather than written down: measured drives, devices that are plugged in, lines that are proven."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from nightreel.advance.capacity import Offer
from nightreel.advance.known import Known
from nightreel.show.model import Capacity, Medium, Port


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveEvidence:
    """Of one medium: rates in bytes/s with the date of their measurement, and the room that is free on it now."""

    write_bytes_per_s: float | None = None
    read_bytes_per_s: float | None = None
    measured_on: str = ""
    free_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineProof:
    """A line was found on send ``number`` (None: only its socket was proven) on ``date``."""

    number: int | None
    date: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """By name of medium, by name of link, by number of line."""

    drives: Mapping[str, DriveEvidence] = field(default_factory=dict)
    devices: Mapping[str, Capacity] = field(default_factory=dict)
    proofs: Mapping[int, LineProof] = field(default_factory=dict)

    def medium(self, medium: Medium) -> Medium:
        """The medium with what was measured in place of what was entered."""
        found = self.drives.get(medium.name, DriveEvidence())
        sizes = [size for size in (medium.size_bytes, found.free_bytes) if size is not None]
        return replace(
            medium,
            size_bytes=max(1, min(sizes)) if sizes else None,
            write_bytes_per_s=found.write_bytes_per_s or medium.write_bytes_per_s,
        )

    def offer(self, link: str, offer: Offer | None) -> Offer | None:
        """The device's own count is the fact, where the device is there to be asked."""
        device = self.devices.get(link)
        if device is None:
            return offer
        if offer is None:
            return Offer(
                sends=device.sends, returns=device.returns, known=Known.MEASURED, source="the device's own count"
            )
        return replace(
            offer,
            sends=min(offer.sends, device.sends),
            returns=min(offer.returns, device.returns),
            known=Known.MEASURED,
            source="the device's own count",
        )

    def path_known(self, line: int, send: Port | None) -> str:
        """``proven`` with its day when the line was found on the send that it has in this plan, else ``assumed``."""
        proof = self.proofs.get(line)
        if proof is None or send is None or (proof.number is not None and proof.number != send.number):
            return Known.ASSUMED.value
        return f"{Known.PROVEN.value} {proof.date[5:]}" if proof.number is not None else "socket proven"
