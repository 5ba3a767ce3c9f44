"""Three worked shows: their figures by hand, and docs/advance.md says exactly what the program says today."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from nightreel.advance.difference import difference_screen
from nightreel.advance.plan import Plan
from nightreel.advance.planning import make_plan
from nightreel.advance.verdict import COLUMNS, screen
from nightreel.advance.what_if import what_if
from nightreel.advance.wishes import Network, Wishes
from nightreel.show.model import Capacity, Line, Link, LinkKind, Medium, Role, SetSong, Show

DOC = Path(__file__).parents[2] / "docs" / "advance.md"
Row = tuple[str, str, str, int]  # name (L/R makes a pair), role, group, priority


def lines_of(rows: list[Row], *, box: str = "A") -> tuple[Line, ...]:
    lines: list[Line] = []
    for name, role, group, priority in rows:
        sides = [f"{name[:-4]} L", f"{name[:-4]} R"] if name.endswith(" L/R") else [name]
        first = len(lines) + 1
        for k, side in enumerate(sides):
            lines.append(
                Line(
                    number=first + k,
                    name=side,
                    role=Role(role),
                    group=group,
                    priority=priority,
                    socket=f"{box}-{first + k}" if role in ("mic", "direct") else "",
                    partner=(first + 1 - k) if len(sides) == 2 else None,
                )
            )
    return tuple(lines)


def club() -> tuple[Show, Wishes]:
    """A desk with 18 channels each way over USB, and 21 lines."""
    rows: list[Row] = [
        ("Kick", "mic", "drums", 1),
        ("Snare", "mic", "drums", 1),
        ("Tom High", "mic", "drums", 4),
        ("Tom Mid", "mic", "drums", 4),
        ("Tom Low", "mic", "drums", 4),
        ("Overhead L/R", "mic", "drums", 2),
        ("Bass", "direct", "bass", 1),
        ("Guitar", "mic", "guitars", 2),
        ("Acoustic", "direct", "guitars", 2),
        ("Keys L/R", "direct", "keys", 2),
        ("Fiddle", "mic", "strings", 2),
        ("Lead Voice", "mic", "voices", 1),
        ("Voice 2", "mic", "voices", 2),
        ("Voice 3", "mic", "voices", 2),
        ("Talk", "talkback", "service", 8),
        ("Hall L/R", "effects return", "effects", 7),
        ("Audience L/R", "ambience", "room", 3),
    ]
    show = Show(
        name="Saltmarsh Lanterns, Dyke Road Club",
        date=date(2026, 11, 20),
        lines=lines_of(rows),
        links=(Link(name="usb", kind=LinkKind.USB, capacity={48_000: Capacity(sends=18, returns=18)}),),
        media=(
            Medium(name="Drive A", path="takes", size_bytes=250 * 10**9, file_system="exFAT"),
            Medium(name="Stick", path="/mnt/stick", purpose="mirror", size_bytes=32 * 10**9, file_system="FAT32"),
        ),
        expected_length_s=2 * 3600.0,
    )
    return show, Wishes()


def theatre() -> tuple[Show, Wishes]:
    """Wireless voices, a pit band, effects on playback and timecode; AES10 with the intercom's eight ports taken."""
    rows: list[Row] = [
        *((f"Voice {k}", "wireless", "voices", 1) for k in range(1, 15)),
        ("Piano L/R", "mic", "pit", 2),
        ("Reed", "mic", "pit", 2),
        ("Trumpet", "mic", "pit", 2),
        ("Cello", "mic", "pit", 2),
        ("Kit Kick", "mic", "pit", 3),
        ("Kit Over L/R", "mic", "pit", 3),
        ("Sound Effects L/R", "playback", "effects", 3),
        ("Storm L/R", "playback", "effects", 3),
        ("Conductor Talk", "talkback", "service", 8),
        ("Timecode", "timecode", "service", 4),
        ("House L/R", "ambience", "room", 5),
    ]
    scenes = ("The harbour at dusk", "A letter", "The storm", "Interval", "The lamp relit", "The tide")
    show = Show(
        name="The Lamp Relit",
        date=date(2026, 12, 4),
        lines=lines_of(rows),
        links=(
            Link(
                name="madi",
                kind=LinkKind.MADI,
                capacity={48_000: Capacity(sends=64, returns=64), 96_000: Capacity(sends=32, returns=32)},
                sends_in_use=frozenset(range(1, 9)),
                returns_in_use=frozenset(range(1, 9)),
            ),
        ),
        media=(
            Medium(name="Drive A", path="takes", size_bytes=10**12, write_bytes_per_s=4e8, file_system="APFS"),
            Medium(name="Drive B", path="/mnt/b", purpose="mirror", size_bytes=10**12, file_system="exFAT"),
        ),
        set_list=tuple(SetSong(title=title, length_s=1500.0) for title in scenes),
        expected_length_s=2 * 3600 + 40 * 60.0,
    )
    return show, Wishes(spare=8)


def festival() -> tuple[Show, Wishes]:
    """Stage boxes on 1-64 both ways leave 65-128 of a redundant AES67 network for the computer."""
    rows: list[Row] = [
        *((f"Drum {k}", "mic", "drums", 1) for k in range(1, 10)),
        ("Overhead L/R", "mic", "drums", 1),
        ("Bass DI", "direct", "bass", 1),
        ("Bass Mic", "mic", "bass", 2),
        *((f"Guitar {k}", "mic", "guitars", 2) for k in range(1, 5)),
        ("Keys L/R", "direct", "keys", 2),
        ("Organ L/R", "mic", "keys", 2),
        *((f"Brass {k}", "wireless", "brass", 2) for k in range(1, 5)),
        *((f"Voice {k}", "wireless", "voices", 1) for k in range(1, 7)),
        ("Tracks L/R", "playback", "tracks", 2),
        ("Click", "click", "tracks", 6),
        ("Timecode", "timecode", "tracks", 4),
        ("Stage Talk", "talkback", "service", 8),
        ("Hall L/R", "effects return", "effects", 7),
        ("Plate L/R", "effects return", "effects", 7),
        ("Audience Near L/R", "ambience", "room", 3),
        ("Audience Far L/R", "ambience", "room", 3),
    ]
    show = Show(
        name="Saltmarsh Lanterns, Estuary Festival",
        date=date(2027, 6, 19),
        lines=lines_of(rows, box="Stage"),
        links=(
            Link(
                name="net",
                kind=LinkKind.AES67,
                capacity={48_000: Capacity(sends=128, returns=128), 96_000: Capacity(sends=64, returns=64)},
                sends_in_use=frozenset(range(1, 65)),
                returns_in_use=frozenset(range(1, 65)),
            ),
        ),
        media=(
            Medium(name="Drive A", path="takes", size_bytes=2 * 10**12, write_bytes_per_s=9e8, file_system="ext4"),
            Medium(
                name="Drive B", path="/mnt/b", purpose="mirror", size_bytes=2 * 10**12, write_bytes_per_s=4.5e8,
                file_system="exFAT",
            ),
            Medium(
                name="Band", path="/mnt/band", purpose="copy", size_bytes=5 * 10**11, write_bytes_per_s=1.2e8,
                file_system="exFAT",
            ),
        ),
        expected_length_s=75 * 60.0,
    )  # fmt: skip
    wishes = Wishes(
        starts_at_min=21 * 60 + 30,
        network=Network(redundant=True, sender_address="10.20.0.50"),
        entered=frozenset({"network.redundant"}),
    )
    return show, wishes


SHOWS = {"club": club, "theatre": theatre, "festival": festival}


def blocks() -> dict[str, str]:
    """Fenced blocks of the page by name: a fence that opens with three backticks, 'text' and the name."""
    return dict(re.findall(r"^```text (\w[\w -]*)\n(.*?)\n```$", DOC.read_text(encoding="utf-8"), re.M | re.S))


def shown(name: str) -> str:
    show, wishes = SHOWS[name]()
    return screen(make_plan(show, wishes))


@pytest.mark.parametrize("name", SHOWS)
def test_the_manual_shows_what_the_program_says(name: str) -> None:
    assert blocks()[name] == shown(name)


def test_the_manuals_what_if_is_what_the_program_says() -> None:
    show, wishes = theatre()
    _, _, difference = what_if(show, wishes, ["rate=96000", "lines=+6", "length=3h"])
    assert blocks()["theatre what if"] == difference_screen(difference)


@pytest.mark.parametrize("name", SHOWS)
def test_the_screen_is_at_most_100_wide(name: str) -> None:
    assert max(map(len, shown(name).splitlines())) <= COLUMNS


def plan_of(name: str) -> Plan:
    show, wishes = SHOWS[name]()
    return make_plan(show, wishes)


def test_the_club_leaves_out_what_matters_least() -> None:
    """21 lines, 18 sends. By priority the talkback (8) and the two effects returns (7) go: exactly three."""
    plan = plan_of("club")
    left = [plan.show.line(n).name for n in plan.choice.left_out]  # type: ignore[union-attr]
    assert left == ["Talk", "Hall L", "Hall R"]
    # 18 tracks x 48 000 x 3 bytes = 2 592 000 bytes/s; two hours = 18 662 400 000, and 18 headers of 4096
    assert plan.room.bytes_per_s == 2_592_000
    assert plan.room.file_bytes == 18_662_400_000 + 18 * 4096
    assert any("stereo sum" in s.text and "Tom" in s.text for s in plan.suggestions)
    best = plan.suggestions[0]
    assert best.frees >= 3


def test_the_theatre_uses_what_the_intercom_leaves() -> None:
    """30 lines and 8 spare in 56 free ports; at 96 kHz 24 free ports would leave 6 lines out."""
    plan = plan_of("theatre")
    assert len(plan.show.lines) == 30
    assert min(p.number for p in plan.allocation.sends.values()) == 9
    assert plan.choice.left_out == ()
    ninety_six = next(o for o in plan.options if o.rate_hz == 96_000)
    assert len(ninety_six.left_out) == 30 - 24
    # 30 x 144 000 bytes/s x 9600 s
    assert plan.room.audio_bytes == 30 * 144_000 * 9600
    assert plan.allocation.proven
    # talkback, timecode and house microphones are exempt: 1 + 1 + 2
    assert sum(c.use != "returned" for c in plan.check_lines) == 4


def test_the_festivals_network_adds_up() -> None:
    """Ports 65 on, in flows of eight: every byte on the wire, twice for the second network."""
    plan = plan_of("festival")
    (network,) = plan.networks
    sends = [f for f in network.flows if f.way == "send"]
    lines = len(plan.show.lines)
    assert min(f.first_port for f in sends) == 65
    assert sum(f.flow.channels for f in sends) >= lines
    full = [f for f in sends if f.flow.channels == 8]
    assert all(float(f.flow.wire_bits_per_s) == 9_840_000 for f in full)  # IEEE 802.3 and RFC 3550, see the arithmetic
    assert len({f.address for f in network.flows}) == len(network.flows)
    assert all(f.address.startswith("239.69.") and f.second_address.startswith("239.70.") for f in network.flows)
    loads = {load.where: load for load in network.loads}
    assert loads["desk to switch"].bits_per_s == loads["desk to switch, second network"].bits_per_s
    # 1 ms packet + 0.25 ms network + 0.5 ms jitter = 1.75 ms = 84 frames; three packets are 144
    assert network.least_offset_frames == 84
    assert network.link_offset_frames == 144
    assert network.margin_frames == 60
    assert [s.frames for s in network.to_track] == [64, 144]


def test_a_later_change_of_the_festivals_list_moves_nobody() -> None:
    show, wishes = festival()
    first = make_plan(show, wishes).patched
    more = replace(first, lines=(*first.lines, Line(number=60, name="Guest Voice", role=Role.WIRELESS, priority=1)))
    plan = make_plan(more, wishes)
    assert plan.allocation.moved_lines == ()
    assert len(plan.allocation.change_gestures) == 2  # one for its send, one for its return
