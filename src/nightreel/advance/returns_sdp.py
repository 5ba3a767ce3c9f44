"""Session descriptions (RFC 8866) of the returns, so that the desk can be told of them before the computer sends."""

from __future__ import annotations

from collections.abc import Mapping

from nightreel.advance.network import NetworkFlow, NetworkPlan, plan_network
from nightreel.advance.plan import Plan
from nightreel.advance.wishes import Network, Wishes
from nightreel.disk import safe_name
from nightreel.ports.aes67.sdp import Destination, StreamDescription, serialise
from nightreel.show.model import Link, Port, Show

DYNAMIC_PAYLOAD = 96  # RFC 3551: 96 to 127 are free to use
TTL = 32
ANY_TRACEABLE_CLOCK = "ptp=IEEE1588-2008:traceable"  # RFC 7273, section 4.8


def sdp_files(plan: Plan) -> dict[str, str]:
    """File name to SDP text, one for each return flow of every AES67 link."""
    return {
        safe_name(f"{network.link} {flow.name}.sdp"): serialise(
            _describe(plan.show, plan.allocation.returns, plan.wishes.network, network, flow)
        )
        for network in plan.networks
        for flow in network.flows
        if flow.way == "return"
    }


def describe_returns(show: Show, link: Link, wishes: Wishes) -> dict[str, StreamDescription]:
    """File name to description of the return flows of an AES67 link, as the show is patched now."""
    sends = [line.send.number for line in show.lines if line.send is not None and line.send.link == link.name]
    returns = {
        line.number: line.return_port
        for line in show.lines
        if line.return_port is not None and line.return_port.link == link.name
    }
    network = plan_network(
        link,
        sends=sends,
        returns=[port.number for port in returns.values()],
        rate_hz=show.rate_hz,
        encoding=show.encoding,
        wishes=wishes,
    )
    return {
        safe_name(f"{network.link} {flow.name}.sdp"): _describe(show, returns, wishes.network, network, flow)
        for flow in network.flows
        if flow.way == "return"
    }


def _describe(
    show: Show, returns: Mapping[int, Port], wishes: Network, network: NetworkPlan, flow: NetworkFlow
) -> StreamDescription:
    names = {port: number for number, port in returns.items()}
    labels = []
    for number in range(flow.first_port, flow.last_port + 1):
        line = show.line(names.get(Port(link=network.link, number=number), 0))
        # a comma would end the label
        labels.append(line.name.replace(",", " ") if line else f"port {number}")
    addresses = [flow.address, *([flow.second_address] if flow.second_address else [])]
    return StreamDescription(
        name=f"{show.name}, {flow.name}",
        destinations=tuple(
            Destination(address=a, port=flow.port, ttl=TTL, source=wishes.sender_address) for a in addresses
        ),
        payload_type=DYNAMIC_PAYLOAD,
        encoding="L16" if flow.flow.sample_bytes == 2 else "L24",
        rate_hz=flow.flow.rate_hz,
        channels=flow.flow.channels,
        packet_time_ms=float(flow.flow.packet_s) * 1000,
        media_offset=0,
        reference_clock=wishes.reference_clock or ANY_TRACEABLE_CLOCK,
        labels=tuple(labels),
        session_id=str(flow.first_port),
        session_version="1",
        origin=wishes.sender_address,
    )
