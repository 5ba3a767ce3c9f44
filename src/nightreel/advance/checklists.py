"""What to do in each phase of the day, with the cautions that belong there.

The steps are common practice, no published source. Figures on hearing: NIOSH publication 98-126 (85 dBA for 8 hours,
3 dB exchange rate), WHO global standard for safe listening venues and events, 2022 (100 dB LAeq over 15 minutes). On
earth: IEC 60364-4-41 and AES48 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from nightreel.advance.plan import Plan
from nightreel.show.model import AtSoundcheck, LinkKind
from nightreel.units import format_rate, format_size, format_time


@dataclass(frozen=True, slots=True, kw_only=True)
class Checklist:
    """One phase of the day."""

    phase: str
    steps: tuple[str, ...]
    cautions: tuple[str, ...] = ()


def checklists(plan: Plan) -> tuple[Checklist, ...]:
    """In the order of the day; steps that this show does not need are left out."""
    show = plan.show
    used = [link for link in show.links if link.name in plan.links_used]
    kinds = {link.kind for link in used}
    phantom = [line for line in show.lines if line.phantom]
    mirror = any(m.purpose != "primary" for m in show.media)
    returned = [line for line in plan.check_lines if line.use is AtSoundcheck.RETURNED]
    live = [line for line in plan.check_lines if line.use is not AtSoundcheck.RETURNED]
    several = len(used) > 1
    before = [
        f"Drives: {format_size(plan.room_with_margin.file_bytes)} free on each"
        + (f" ({', '.join(m.name for m in plan.media)})" if plan.media else ""),
        "Drives measured: nightreel measure-drive FOLDER",
        "These sheets printed, and the show folder copied to a second place",
        "Laptop: sleep, updates, virus scans and backups off; mains supply and its cable packed",
        "Cables for " + ", ".join(sorted(f"{link.name} ({link.kind.value})" for link in used)) + ", and one spare each",
    ]
    rig = [
        f"Desk set to {format_rate(show.rate_hz)}",
        "Desk patched by the gesture list; every gesture ticked",
        "Sends picked off after the preamp and before desk gain and processing",
        "One clock: "
        + ("desk is master, every link shows lock" if several else "desk is master, the computer shows lock"),
    ]
    if LinkKind.AES67 in kinds:
        rig.append("Switches: IGMP snooping with querier, DSCP trusted, energy-efficient Ethernet off")
        rig.append("PTP: one grandmaster, every device shows lock; domain as on the network sheet")
    if LinkKind.MADI in kinds:
        rig.append("MADI: 56 or 64 channel mode and frame format the same on both ends")
    if LinkKind.USB in kinds:
        rig.append("USB: straight into the laptop, no hub; the plug secured")
    check = [
        "nightreel line-check, or by ear: one line at a time in the order of the sheet",
        "Every line ticked on the patch sheet; gains written down",
    ]
    cautions_check = [
        "Amplifiers, wedges and in-ear transmitters muted before any test signal. Signals begin low and ramp up.",
        "Hum is never cured by lifting protective earth: balanced lines, an isolating transformer, one supply.",
    ]
    if phantom:
        cautions_check.append(
            f"Phantom power on {len(phantom)} lines: mute the line before switching it, and before plugging."
        )
    doors = [
        "nightreel record --arm: every line shows level, drives show time left",
        f"Time left on the drive exceeds {format_time(plan.length_s)}",
        *(["Mirror runs on the second drive"] if mirror else []),
        "Laptop on mains, screen lock off, network and messages quiet",
        "Recording started before the doors open, not before the first song",
    ]
    after = [
        "nightreel stop, confirmed, after the last note and the applause",
        "nightreel review: findings read before anything is unplugged",
        f"Copied and read back: about {format_time(plan.media[0].copy.total_s)} for {format_size(plan.room.file_bytes)}"
        if plan.media
        else f"Copied and read back: {format_size(plan.room.file_bytes)}",
        "Two copies exist on two drives, carried by two people",
        "Drives ejected before unplugging",
    ]
    next_day = [
        f"nightreel soundcheck --plan: {len(returned)} lines returned, {len(live)} exempt, read through",
        "Gains as noted at the recording, or trims accepted line by line",
        "Desk inputs of the returned lines switched to their returns: gesture list, returns",
        "Afterwards: inputs switched back, and every line proven live before the band plays",
    ]
    return (
        Checklist(phase="At home", steps=tuple(before)),
        Checklist(
            phase="Rigging",
            steps=tuple(rig),
            cautions=("Assign ports with the desk's outputs muted: a wrong patch can feed a return into the PA.",),
        ),
        Checklist(phase="Line check", steps=tuple(check), cautions=tuple(cautions_check)),
        Checklist(phase="Before doors and during the show", steps=tuple(doors)),
        Checklist(phase="Load-out", steps=tuple(after)),
        Checklist(
            phase="Virtual soundcheck",
            steps=tuple(next_day),
            cautions=(
                "In-ear transmitters muted and nobody on stage unwarned: playback starts at a low level and ramps up.",
                "Hearing: 85 dBA for 8 hours, every 3 dB more halves the time (NIOSH). Where local rules are stricter, "
                "they hold.",
            ),
        ),
    )
