"""What this machine and the show folder can tell a plan: drives, devices, proofs. What cannot be read is left out."""

from __future__ import annotations

from pathlib import Path

from nightreel.advance.drives import measured_rates
from nightreel.advance.evidence import DriveEvidence, Evidence, LineProof
from nightreel.disk import free_bytes
from nightreel.errors import FailureError
from nightreel.linecheck.model import Outcome
from nightreel.linecheck.proofs import latest_proofs, read_checks
from nightreel.show.model import Capacity, Show


def gather_evidence(folder: Path, show: Show, *, ask_devices: bool) -> Evidence:
    return Evidence(drives=_drives(folder, show), devices=_devices(show) if ask_devices else {}, proofs=_proofs(folder))


def _drives(folder: Path, show: Show) -> dict[str, DriveEvidence]:
    rates = measured_rates(folder)
    found = {}
    for medium in show.media:
        write, read, day = rates.get(medium.name, (None, None, ""))
        place = folder / medium.path
        room = None
        if place.is_dir():
            try:
                room = free_bytes(place)
            except FailureError:
                room = None
        found[medium.name] = DriveEvidence(
            write_bytes_per_s=write, read_bytes_per_s=read, measured_on=day, free_bytes=room
        )
    return found


def _devices(show: Show) -> dict[str, Capacity]:
    """Links whose device is plugged in now, at the show's rate."""
    from nightreel.ports.devices import find_rates_hz, list_devices

    devices = list_devices()
    found = {}
    for link in show.links:
        match = next((d for d in devices if link.device and link.device.lower() in str(d).lower()), None)
        if match is not None and show.rate_hz in find_rates_hz(match):
            found[link.name] = Capacity(sends=match.sends, returns=match.returns)
    return found


def _proofs(folder: Path) -> dict[int, LineProof]:
    try:
        latest = latest_proofs(read_checks(folder))
    except FailureError:
        return {}  # line-check itself says what is wrong with them
    found: dict[int, LineProof] = {}
    for (line, _), proof in latest.items():
        if proof.outcome is Outcome.PROVEN and (proof.send is not None or line not in found):
            found[line] = LineProof(number=proof.send, date=proof.at.date().isoformat())
    return found
