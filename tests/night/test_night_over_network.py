"""The main job over network audio: a desk of our own sends AES67 flows, `nightreel` records them, plays them back as
flows, and every sample is compared both ways. Loss, cuts, a stopped recorder and a restarted desk are planted.

Placement by RTP timestamp after RFC 3550; loopback only. What the desk itself sent late on a busy machine is not held
against the recorder, but counted.
"""

from __future__ import annotations

import ipaddress
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from tests.netdesk import (
    CHANNELS,
    PACKET,
    RATE_HZ,
    decode,
    desk,
    frame_of,
    late_packets,
    loses,
    make_plan,
    sounds,
    write_descriptions,
)
from tests.rtpband import free_port

from nightreel.ports.aes67.announce import listen
from nightreel.show.files import create_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Port, Role
from nightreel.take import find_take, open_take
from nightreel.take.model import TakeFacts
from nightreel.timeline import GapCause

FLOWS = 3
LINES = FLOWS * CHANNELS


@pytest.fixture
def show(tmp_path: Path) -> Path:
    return make_show(tmp_path, LINES)


def make_show(tmp_path: Path, lines: int) -> Path:
    capacity = {RATE_HZ: Capacity(sends=lines, returns=lines)}
    create_show(
        tmp_path / "show",
        name="Network night",
        rate_hz=RATE_HZ,
        lines=tuple(
            Line(
                number=number,
                name=f"Input {number}",
                role=Role.DIRECT,
                send=Port(link="net", number=number),
                return_port=Port(link="net", number=number),
            )
            for number in range(1, lines + 1)
        ),
        links=(Link(name="net", kind=LinkKind.AES67, capacity=capacity),),
    )
    return tmp_path / "show"


def describe_returns_here(show: Path) -> None:
    """Groups of the test's own, so that two tests at once do not hear each other."""
    port = free_port()
    with (show / "show.toml").open("a") as document:
        document.write(
            f'\n[advance.network]\ngroup = "239.69.{port >> 8}.{port & 0xF0}"\nport = {port}\n'
            'sender_address = "127.0.0.1"\n'
        )


class Ears:
    """An independent receiver: plain sockets on the groups that the SDP files in ``folder`` name, once they are there.

    packets : of each flow, in the order of the files, samples by RTP timestamp
    """

    def __init__(self, folder: Path) -> None:
        self.packets: list[dict[int, NDArray[np.int32]]] = [{} for _ in range(FLOWS)]
        self._folder = folder
        self._leave = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Ears:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._leave.set()
        self._thread.join(10.0)

    def _run(self) -> None:
        while not self._leave.is_set() and len(list(self._folder.glob("*.sdp"))) < FLOWS:
            time.sleep(0.02)
        ears = {}
        for flow, path in enumerate(sorted(self._folder.glob("*.sdp"), key=lambda p: int(p.stem.split("-")[-1]))):
            rows = path.read_text().splitlines()
            group = next(row for row in rows if row.startswith("c=")).split()[-1].split("/")[0]
            port = int(next(row for row in rows if row.startswith("m=")).split()[1])
            ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            ear.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            ear.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
            ear.bind((group, port))
            card = socket.inet_aton("127.0.0.1")
            ear.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, socket.inet_aton(group) + card)
            ears[ear] = flow
        while not self._leave.is_set():
            for ear in select.select(list(ears), [], [], 0.1)[0]:
                timestamp, samples = decode(ear.recv(2048))
                self.packets[ears[ear]][timestamp] = samples
        for ear in ears:
            ear.close()


class Announcements:
    """Names of the sessions announced meanwhile."""

    def __init__(self) -> None:
        self.names: set[str] = set()
        self._leave = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Announcements:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._leave.set()
        self._thread.join(10.0)

    def _run(self) -> None:
        while not self._leave.is_set():
            self.names |= {one.name for one in listen(seconds=0.5, interface="127.0.0.1")}


def nightreel(*words: object, code: int = 0) -> str:
    """Run a command as its user would; what it prints."""
    command = [sys.executable, "-m", "nightreel", *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, env=os.environ, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout + done.stderr


def refused(*words: object) -> str:
    """The same for a command that has to refuse."""
    command = [sys.executable, "-m", "nightreel", *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, env=os.environ, check=False)
    assert done.returncode != 0, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout + done.stderr


def status_of(show: Path) -> dict[str, Any]:
    status: dict[str, Any] = json.loads(nightreel("record", show, "--status", "--json"))
    return status


def stop(show: Path) -> None:
    nightreel("stop", show, "--confirm", status_of(show)["take"])


def recording(show: Path) -> tuple[TakeFacts, NDArray[np.float32]]:
    with open_take(find_take(show, "last")) as take:
        return take.facts, take.read([track.line for track in take.facts.tracks], 0, take.facts.frames)


def missing(facts: TakeFacts) -> NDArray[np.bool_]:
    """(frames, lines): what the take says that it does not hold."""
    mask = np.zeros((facts.frames, LINES), bool)
    for gap in facts.gaps:
        mask[gap.first_frame : gap.end_frame, list(gap.channels) or slice(None)] = True
    return mask


def place_of(recorded: NDArray[np.float32], mask: NDArray[np.bool_]) -> int:
    """The desk's frame at the take's frame 0."""
    heard = int(np.flatnonzero(~mask.any(axis=1))[0])
    return frame_of(float(recorded[heard, 0])) - heard


def unaccounted(facts: TakeFacts, recorded: NDArray[np.float32], start: int) -> int:
    """Samples that are neither as sent at their place nor listed as missing (and zero)."""
    mask = missing(facts)
    expected = sounds(start, facts.frames, LINES) / np.float32(8_388_608)
    expected[mask] = 0.0
    return int((recorded != expected).sum())


def lost_in(plan: dict[str, Any], facts: TakeFacts, start: int) -> NDArray[np.bool_]:
    """(frames, lines): what the desk never sent, as it was planned."""
    mask = np.zeros((facts.frames, LINES), bool)
    for packet in range(start // PACKET, (start + facts.frames) // PACKET + 1):
        for flow in range(FLOWS):
            if loses(plan, flow, packet):
                first = packet * PACKET - start
                mask[max(first, 0) : max(first + PACKET, 0), flow * CHANNELS : (flow + 1) * CHANNELS] = True
    return mask


def unsure(late: list[int], facts: TakeFacts, start: int) -> NDArray[np.bool_]:
    mask = np.zeros(facts.frames, bool)
    for packet in late:
        first = packet * PACKET - start
        mask[max(first, 0) : max(first + PACKET, 0)] = True
    return mask


def test_what_the_desk_sent_is_on_disk_and_what_never_came_is_listed_line_by_line(show: Path, tmp_path: Path) -> None:
    plan = make_plan(FLOWS, random_loss=[0.0, 0.01, 0.0], cuts=[[2, 4_000, 4_100], [0, 5_000, 5_003]])
    write_descriptions(tmp_path / "sends", plan)
    with desk(tmp_path, plan):
        said = nightreel("record", show, "--from", f"aes67:{tmp_path / 'sends'}", "--plain")
        assert "3 flows on 3 paths" in said
        time.sleep(7.0)
        stop(show)
    facts, recorded = recording(show)
    mask = missing(facts)
    start = place_of(recorded, mask)
    assert unaccounted(facts, recorded, start) == 0
    may_differ = unsure(late_packets(tmp_path), facts, start)
    assert may_differ.mean() < 0.3, "the desk itself was too late: nothing is proven"
    planned = lost_in(plan, facts, start)
    assert planned.any()
    np.testing.assert_array_equal(mask[~may_differ], planned[~may_differ])
    assert {gap.cause for gap in facts.gaps} == {GapCause.NETWORK_LOSS}
    report = json.loads((find_take(show, "last") / "measured" / "source.json").read_text())
    assert [path["flow"] for path in report["paths"]] == ["Desk 1", "Desk 2", "Desk 3"]
    assert report["paths"][1]["lost"] >= 0.5 * planned[:, CHANNELS].sum() / PACKET > 0
    assert all(path["packets"] > 4_000 and path["jitter_ms"] > 0.0 for path in report["paths"])


def test_a_recorder_stopped_for_two_seconds_takes_up_what_the_sockets_held(show: Path, tmp_path: Path) -> None:
    plan = make_plan(FLOWS)
    write_descriptions(tmp_path / "sends", plan)
    with desk(tmp_path, plan):
        nightreel("record", show, "--from", f"aes67:{tmp_path / 'sends'}", "--plain")
        time.sleep(1.0)
        recorder = status_of(show)["pid"]
        os.kill(recorder, signal.SIGSTOP)
        time.sleep(2.0)
        os.kill(recorder, signal.SIGCONT)
        time.sleep(1.5)
        stop(show)
    facts, recorded = recording(show)
    mask = missing(facts)
    assert facts.frames > 4 * RATE_HZ
    assert unaccounted(facts, recorded, place_of(recorded, mask)) == 0
    report = json.loads((find_take(show, "last") / "measured" / "source.json").read_text())
    if min(path["buffer_bytes"] for path in report["paths"]) >= 4_000_000:  # else the system grants less than 2 s
        may_differ = unsure(late_packets(tmp_path), facts, place_of(recorded, mask))
        assert not mask[~may_differ].any()


def test_a_killed_recorder_goes_on_receiving_in_a_linked_take(show: Path, tmp_path: Path) -> None:
    plan = make_plan(FLOWS)
    write_descriptions(tmp_path / "sends", plan)
    with desk(tmp_path, plan):
        nightreel("record", show, "--from", f"aes67:{tmp_path / 'sends'}", "--plain")
        time.sleep(1.5)
        before = status_of(show)
        os.kill(before["pid"], signal.SIGKILL)
        end = time.monotonic() + 60.0
        while not (show / "takes" / before["take"]).exists() or len(list((show / "takes").iterdir())) < 2:
            assert time.monotonic() < end
            time.sleep(0.02)
        time.sleep(2.0)
        after = status_of(show)
        stop(show)
    assert (after["follows"], after["state"]) == (before["take"], "recording")
    facts, recorded = recording(show)
    assert facts.frames > RATE_HZ
    assert unaccounted(facts, recorded, place_of(recorded, missing(facts))) == 0
    # Both takes lie on the desk's own timeline, so the length of the break is known to the sample.
    with open_take(find_take(show, before["take"])) as take:
        first = take.read([track.line for track in take.facts.tracks], 0, take.facts.frames)
    break_frames = place_of(recorded, missing(facts)) - (frame_of(float(first[0, 0])) + len(first))
    assert 0 < break_frames < 60 * RATE_HZ


def test_a_desk_that_restarts_is_a_gap_and_its_flows_stay_aligned(show: Path, tmp_path: Path) -> None:
    plan = make_plan(FLOWS)
    write_descriptions(tmp_path / "sends", plan)
    with desk(tmp_path, plan):
        nightreel("record", show, "--from", f"aes67:{tmp_path / 'sends'}", "--plain")
        time.sleep(1.5)
    with desk(tmp_path, {**plan, "first_timestamp": 123_456_789, "first_sequence": 7}):
        time.sleep(2.5)
        alerts = status_of(show)["alerts"]
        stop(show)
    assert any("restarted on other timestamps" in alert["what"] for alert in alerts)
    facts, recorded = recording(show)
    mask = missing(facts)
    silent = mask.all(axis=1)
    assert silent.any()
    before = int(np.flatnonzero(silent)[0])
    after = int(np.flatnonzero(~mask.any(axis=1))[-1]) - RATE_HZ // 2
    start = frame_of(float(recorded[after, 0])) - after
    frames = RATE_HZ // 2
    expected = sounds(start + after, frames, LINES) / np.float32(8_388_608)
    np.testing.assert_array_equal(recorded[after : after + frames][~mask[after : after + frames]],
                                  expected[~mask[after : after + frames]])  # fmt: skip
    first = frame_of(float(recorded[0, 0]))
    np.testing.assert_array_equal(
        recorded[:before][~mask[:before]], (sounds(first, before, LINES) / np.float32(8_388_608))[~mask[:before]]
    )


def test_descriptions_that_do_not_suit_the_show_are_refused_before_anything_is_written(
    show: Path, tmp_path: Path
) -> None:
    plan = make_plan(FLOWS)
    write_descriptions(tmp_path / "fast", plan, rate_hz=96_000)
    write_descriptions(tmp_path / "few", plan, channels=4)
    for folder, words in (("fast", "96000 Hz, the show at 48000 Hz"), ("few", "carry 12 channels, the show's patch")):
        said = refused("record", show, "--from", f"aes67:{tmp_path / folder}", "--plain")
        assert words in said
    assert not list((show / "takes").glob("*/take.json"))


def test_packets_that_are_not_what_was_described_become_gaps_and_not_noise(show: Path, tmp_path: Path) -> None:
    """L16 where L24 was described: the same bytes would be whole frames of full-scale noise."""
    plan = make_plan(FLOWS, sample_bytes=2)
    write_descriptions(tmp_path / "sends", plan)
    with desk(tmp_path, plan):
        nightreel("record", show, "--from", f"aes67:{tmp_path / 'sends'}", "--plain")
        time.sleep(2.5)
        alerts = status_of(show)["alerts"]
        stop(show)
    assert any("than their timestamps say" in alert["what"] for alert in alerts)
    facts, recorded = recording(show)
    mask = missing(facts)
    assert mask[RATE_HZ // 10 :].all()
    assert not recorded[mask].any()


def test_a_take_goes_back_to_the_desk_in_flows_described_by_the_show(show: Path, tmp_path: Path) -> None:
    plan = make_plan(FLOWS)
    write_descriptions(tmp_path / "sends", plan)
    describe_returns_here(show)
    with desk(tmp_path, plan):
        nightreel("record", show, "--from", f"aes67:{tmp_path / 'sends'}", "--plain")
        time.sleep(3.0)
        stop(show)
        facts, recorded = recording(show)
        with Ears(tmp_path / "returns") as ears, Announcements() as announced:
            said = nightreel(
                "soundcheck", show, "--through", f"aes67:{tmp_path / 'sends'}+{tmp_path / 'returns'}@127.0.0.1",
                "--confirm-muted", "--start-level", "0", "--rise", "0", "--announce",
            )  # fmt: skip
    assert "media clock of the desk's flow 'Desk 1'" in said
    assert "after their time on average" in said
    assert {f"Network night, returns {first}-{first + 7}" for first in (1, 9, 17)} <= announced.names
    assert_came_back(ears.packets, recorded, missing(facts), place_of(recorded, missing(facts)), said)


def assert_came_back(
    packets: list[dict[int, NDArray[np.int32]]],
    recorded: NDArray[np.float32],
    mask: NDArray[np.bool_],
    start: int,
    said: str,
) -> None:
    """Packets of one timestamp in all flows are neighbours of one instant of the take, bit for bit, in order."""
    came_back, last = 0, -1
    for timestamp in sorted(set(packets[0]).intersection(*packets[1:])):
        heard = np.hstack([flow[timestamp] for flow in packets]) / np.float32(8_388_608)
        place = frame_of(float(heard[0, 0])) - start
        if not 0 <= place <= len(recorded) - PACKET or not np.array_equal(heard[0], recorded[place]):
            continue  # silence before and after, and the two fades of 20 ms
        if np.array_equal(heard[-1], recorded[place + PACKET - 1]):
            np.testing.assert_array_equal(heard, recorded[place : place + PACKET])
            assert place > last
            last, came_back = place, came_back + PACKET
    whole = (~mask.any(axis=1)).sum()
    assert came_back > (0.9 if "0 underruns" in said or "1 underruns" in said else 0.2) * whole


def test_a_line_check_over_the_network_finds_what_is_crossed(tmp_path: Path) -> None:
    show = make_show(tmp_path, 16)
    describe_returns_here(show)
    order = list(range(16))
    order[8], order[9] = order[9], order[8]
    network = tomllib.loads((show / "show.toml").read_text())["advance"]["network"]
    first = int(ipaddress.ip_address(network["group"])) + 2  # the two flows of the sends come first
    groups = [[str(ipaddress.ip_address(first + index)), network["port"]] for index in range(2)]
    plan = make_plan(2, mirror={"groups": groups, "order": order, "delays": [37 * n for n in range(16)]})
    write_descriptions(tmp_path / "sends", plan)
    with desk(tmp_path, plan):
        said = nightreel(
            "line-check", show, "--through", f"aes67:{tmp_path / 'sends'}+{tmp_path / 'returns'}@127.0.0.1",
            "--confirm-muted", "--json", code=1,
        )  # fmt: skip
    check, _ = json.JSONDecoder().raw_decode(said[said.index("{") :])
    outcomes = {proof["line"]: proof["outcome"] for proof in check["proofs"]}
    assert {line for line, outcome in outcomes.items() if outcome != "proven"} == {9, 10}
    assert any("9 and 10 are crossed" in statement["text"] for statement in check["statements"])
