"""No bytes crash the network parsers, and what we write we read."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67 import rtp, sap, sdp

packets = st.builds(
    rtp.RtpPacket,
    payload_type=st.integers(0, 127),
    sequence=st.integers(0, 0xFFFF),
    timestamp=st.integers(0, 0xFFFFFFFF),
    ssrc=st.integers(0, 0xFFFFFFFF),
    payload=st.binary(max_size=60),
    marker=st.booleans(),
    csrcs=st.lists(st.integers(0, 0xFFFFFFFF), max_size=15).map(tuple),
    extension=st.none() | st.tuples(st.integers(0, 0xFFFF), st.binary(max_size=5).map(lambda b: b * 4)),
)


@given(packets)
def test_packets_round_trip(packet: rtp.RtpPacket) -> None:
    assert rtp.parse(rtp.serialise(packet)) == packet


@given(st.binary(max_size=80))
@settings(max_examples=300)
def test_no_bytes_crash_the_packet_parser(data: bytes) -> None:
    try:
        rtp.parse(data)
    except rtp.MalformedPacket:
        return


@given(st.binary(max_size=80))
@settings(max_examples=300)
def test_no_bytes_crash_the_announcement_parser(data: bytes) -> None:
    try:
        sap.parse(data)
    except sap.MalformedAnnouncement:
        return


@given(
    st.lists(
        st.text(max_size=30)
        | st.sampled_from(
            [
                "m=audio 5004 RTP/AVP 96",
                "a=rtpmap:96 L24/48000/2",
                "c=IN IP4 239.1.1.1/5",
                "a=mediaclk:direct=",
                "a=group:DUP a b",
                "o=- 1 1 IN IP4 1.1.1.1",
            ]
        ),
        max_size=9,
    )
)
@settings(max_examples=300)
def test_no_text_crashes_the_description_parser(lines: list[str]) -> None:
    try:
        sdp.parse("\n".join(["v=0", *lines]))
    except NetworkTrouble:
        return


@given(st.integers(0, 1 << 40), st.integers(-(1 << 15) + 1, (1 << 15) - 1))
def test_extended_counters_find_any_step_below_half_their_range(near: int, step: int) -> None:
    assert rtp.extend_counter((near + step) % (1 << 16), bits=16, near=near) == near + step
