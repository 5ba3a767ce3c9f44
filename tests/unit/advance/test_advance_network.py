"""The network plan: flows, addresses, loads, delays."""

from __future__ import annotations

from dataclasses import replace
from ipaddress import IPv4Address

import pytest

from nightreel.advance.capacity import Transport
from nightreel.advance.network import NetworkPlan, ethernet_group, plan_network
from nightreel.advance.wishes import Network, Wishes
from nightreel.errors import ArgumentInvalid
from nightreel.show.model import Capacity, Link, LinkKind
from nightreel.units import Encoding

LINK = Link(name="net", kind=LinkKind.AES67, capacity={48_000: Capacity(sends=128, returns=128)})


def plan(sends: range, returns: range, wishes: Wishes | None = None, *, rate_hz: int = 48_000) -> NetworkPlan:
    return plan_network(
        LINK, sends=sends, returns=returns, rate_hz=rate_hz, encoding=Encoding.PCM24, wishes=wishes or Wishes()
    )


def test_flows_begin_on_the_raster_whatever_ports_are_used() -> None:
    found = plan(range(66, 90), range(70, 75))
    assert [(f.way, f.first_port, f.last_port) for f in found.flows] == [
        ("send", 65, 72),
        ("send", 73, 80),
        ("send", 81, 88),
        ("send", 89, 89),
        ("return", 65, 72),
        ("return", 73, 74),
    ]


def test_64_channels_in_eight_flows_load_a_port_with_78_72_mbit() -> None:
    # eight flows of 8 channels at 1 ms: 8 x 9.84 Mbit/s (IEEE 802.3, RFC 791, 768, 3550)
    found = plan(range(65, 129), range(65, 129))
    assert {load.where: load.bits_per_s for load in found.loads} == {
        "desk to switch": pytest.approx(78_720_000),
        "switch to computer": pytest.approx(78_720_000),
        "computer to switch": pytest.approx(78_720_000),
        "switch to desk": pytest.approx(78_720_000),
    }


# RFC 1112, 6.4: the low 23 bits; 239.0.0.1 and 239.128.0.1 share one Ethernet group
@pytest.mark.parametrize(
    ("address", "group"),
    [
        ("239.0.0.1", "01:00:5E:00:00:01"),
        ("239.128.0.1", "01:00:5E:00:00:01"),
        ("239.69.1.255", "01:00:5E:45:01:FF"),
    ],
)
def test_ethernet_groups(address: str, group: str) -> None:
    assert ethernet_group(IPv4Address(address)) == group


@pytest.mark.parametrize(
    ("packet_us", "least", "offset"),
    # packet + 0.25 ms + 0.5 ms; three packets, at least 1 ms; in frames at 48 kHz
    [(125, 42, 48), (250, 48, 48), (1000, 84, 144), (4000, 228, 576)],
)
def test_link_offset(packet_us: int, least: int, offset: int) -> None:
    found = plan(range(1, 3), range(1, 3), Wishes(transport=Transport(packet_time_us=packet_us)))
    assert (found.least_offset_frames, found.link_offset_frames) == (least, offset)
    assert found.buffer_frames == min(20 * found.samples, 960)  # 20 packets or 20 ms, the smaller (AES67, from memory)


def test_an_entered_offset_that_is_too_short_is_named() -> None:
    found = plan(range(1, 3), range(1, 3), Wishes(network=Network(link_offset_us=1000)))
    assert found.margin_frames < 0
    assert any("late" in words for words in found.warnings)


def test_a_full_gigabit_is_named() -> None:
    found = plan(range(1, 129), range(1, 129), Wishes(transport=Transport(packet_time_us=125)))
    assert not any("Gigabit" in words for words in found.warnings)
    many = replace(Wishes(transport=Transport(packet_time_us=125)), network=Network(channels_per_flow=1))
    assert any("Gigabit" in words for words in plan(range(1, 129), range(1, 129), many).warnings)


def test_a_second_network_repeats_every_flow_and_every_load() -> None:
    found = plan(range(1, 17), range(1, 9), Wishes(network=Network(redundant=True)))
    assert len({f.second_address for f in found.flows} | {f.address for f in found.flows}) == 2 * len(found.flows)
    assert len(found.loads) == 8


@pytest.mark.parametrize("group", ["10.1.2.3", "239.255.255.255", "not an address", "224.0.1.129"])
def test_addresses_outside_239_are_refused(group: str) -> None:
    with pytest.raises(ArgumentInvalid):
        plan(range(1, 17), range(1, 17), Wishes(network=Network(group=group)))


def test_the_second_networks_addresses_have_to_lie_there_too() -> None:
    with pytest.raises(ArgumentInvalid, match=r"240\.0\.0\.1"):
        plan(range(1, 3), range(1, 3), Wishes(network=Network(group="239.255.0.1", redundant=True)))


def test_a_packet_too_long_for_one_channel_is_refused() -> None:
    with pytest.raises(ArgumentInvalid, match="not one channel"):
        plan(range(1, 3), range(1, 3), Wishes(transport=Transport(packet_time_us=4000, mtu_bytes=600)))
