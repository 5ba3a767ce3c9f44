"""RTP, L16/L24, SDP and SAP against the figures of their standards.

RFC 3550 (header, wrap, jitter), RFC 3551 and RFC 3190 (payload), RFC 8866, RFC 7273 and RFC 7104 (descriptions),
RFC 2974 (announcements). The description of eight channels is AES67's own example, as reproduced in several public
test suites; AES67's packet-size table is from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from nightreel.errors import ArgumentInvalid, NetworkTrouble
from nightreel.ports.aes67 import payload, rtp, sap, sdp

AES67_EXAMPLE = "\r\n".join(
    [
        "v=0",
        "o=- 1311738121 1311738121 IN IP4 192.168.1.1",
        "s=Stage left I/O",
        "c=IN IP4 239.0.0.1/32",
        "t=0 0",
        "m=audio 5004 RTP/AVP 96",
        "i=Channels 1-8",
        "a=rtpmap:96 L24/48000/8",
        "a=recvonly",
        "a=ptime:1",
        "a=ts-refclk:ptp=IEEE1588-2008:39-A7-94-FF-FE-07-CB-D0:0",
        "a=mediaclk:direct=963214424",
        "",
    ]
)


def test_rtp_header_bytes() -> None:
    packet = rtp.RtpPacket(payload_type=96, sequence=1, timestamp=963_214_424, ssrc=0x11223344, payload=b"")
    assert rtp.serialise(packet) == bytes.fromhex("8060000139697C5811223344")


def test_padding_extension_and_contributing_sources_are_taken_off() -> None:
    # RFC 3550 section 5.1 and 5.3.1, laid out by hand.
    packet = bytes.fromhex("B2E0FFFF00000010CAFEBABE0000000100000002BEDE000101020304") + b"abc" + b"\0\0\x03"
    parsed = rtp.parse(packet)
    assert parsed.csrcs == (1, 2)
    assert parsed.extension == (0xBEDE, b"\1\2\3\4")
    assert parsed.marker
    assert parsed.payload == b"abc"
    assert parsed.sequence == 0xFFFF


@pytest.mark.parametrize(
    "packet",
    [
        b"",
        b"\x80" * 11,
        b"\x40" + b"\0" * 20,
        b"\x8f" + b"\0" * 20,
        b"\x90" + b"\0" * 12,
        b"\xa0" + b"\0" * 11 + b"\x09",
    ],
)
def test_what_is_no_rtp_packet_is_said_to_be_malformed(packet: bytes) -> None:
    with pytest.raises(rtp.MalformedPacket):
        rtp.parse(packet)


def test_counters_pass_their_wrap_both_ways() -> None:
    assert rtp.extend_counter(0, bits=16, near=65_535) == 65_536
    assert rtp.extend_counter(65_535, bits=16, near=65_536) == 65_535
    assert rtp.extend_counter(5, bits=32, near=(1 << 32) - 3) == (1 << 32) + 5


def test_jitter_follows_the_estimator_of_rfc_3550() -> None:
    # Section 6.4.1: J += (|D| - J) / 16. Transit times 0, 10, 10, 4 give |D| = 10, 0, 6.
    estimator = rtp.JitterEstimator()
    values = [
        estimator.feed(arrival=ts + transit, timestamp=ts) for ts, transit in ((0, 0), (48, 10), (96, 10), (144, 4))
    ]
    expected = [0.0]
    for difference in (10, 0, 6):
        expected.append(expected[-1] + (difference - expected[-1]) / 16)
    assert values == pytest.approx(expected)


@pytest.mark.parametrize(("rate_hz", "expected"), [(48_000, 4_211_310_592), (96_000, 4_127_653_888)])
def test_timestamp_of_a_moment_of_the_reference_clock(rate_hz: int, expected: int) -> None:
    # RFC 7273 section 5 with direct=0: floor(TAI seconds x rate) mod 2^32.
    assert rtp.timestamp_at(1_700_000_000, rate_hz=rate_hz) == expected


@pytest.mark.parametrize(
    ("value", "expected"), [(1, "000001"), (-1, "FFFFFF"), (8_388_607, "7FFFFF"), (-8_388_608, "800000")]
)
def test_l24_bytes(value: int, expected: str) -> None:
    samples = np.array([[value / (1 << 23)]], np.float32)
    assert payload.encode(samples, "L24") == bytes.fromhex(expected)
    assert payload.decode(bytes.fromhex(expected), "L24", channels=1)[0, 0] * (1 << 23) == value


@pytest.mark.parametrize("encoding", ["L16", "L24"])
def test_payloads_round_trip_and_interleave_channels(encoding: str) -> None:
    full = 1 << (8 * payload.SAMPLE_BYTES[encoding] - 1)
    rng = np.random.default_rng(3)
    samples = (rng.integers(-full, full, (48, 8)) / full).astype(np.float32)
    body = payload.encode(samples, encoding)
    assert len(body) == 48 * 8 * payload.SAMPLE_BYTES[encoding]
    np.testing.assert_array_equal(payload.decode(body, encoding, channels=8), samples)


def test_half_a_frame_is_no_payload() -> None:
    with pytest.raises(ArgumentInvalid):
        payload.decode(b"\0" * 7, "L24", channels=2)


@pytest.mark.parametrize(
    ("encoding", "frames", "channels"),
    # Largest channel count by 1440 bytes (AES67 packet sizes, from memory; arithmetic): 48 kHz then 96 kHz.
    [
        ("L24", 6, 80),
        ("L24", 12, 40),
        ("L24", 16, 30),
        ("L24", 48, 10),
        ("L24", 192, 2),
        ("L16", 48, 15),
        ("L24", 96, 5),
    ],
)
def test_channels_that_fit_one_packet(encoding: str, frames: int, channels: int) -> None:
    assert payload.max_channels(encoding, frames_per_packet=frames) == channels


def test_aes67s_own_example_is_understood() -> None:
    assert len(AES67_EXAMPLE.encode()) == 274
    stream = sdp.parse(AES67_EXAMPLE)
    assert stream.name == "Stage left I/O"
    assert stream.destinations == (sdp.Destination(address="239.0.0.1", port=5004, ttl=32),)
    assert (stream.encoding, stream.rate_hz, stream.channels, stream.frames_per_packet) == ("L24", 48_000, 8, 48)
    assert stream.media_offset == 963_214_424
    assert stream.reference_clock == "ptp=IEEE1588-2008:39-A7-94-FF-FE-07-CB-D0:0"
    assert sdp.serialise(stream) == AES67_EXAMPLE


def test_two_redundant_networks_are_one_stream() -> None:
    # RFC 7104: a=group:DUP names the media that carry the same packets.
    text = sdp.serialise(
        sdp.StreamDescription(
            name="both",
            destinations=(
                sdp.Destination(address="239.1.0.1", port=5004, ttl=15, source="10.0.0.1"),
                sdp.Destination(address="239.2.0.1", port=5004, ttl=15, source="10.1.0.1"),
            ),
            payload_type=97,
            encoding="L24",
            rate_hz=96_000,
            channels=4,
            media_offset=0,
        )
    )
    assert "a=group:DUP path1 path2" in text
    stream = sdp.parse(text)
    assert [d.address for d in stream.destinations] == ["239.1.0.1", "239.2.0.1"]
    assert stream.frames_per_packet == 96


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("v=0", "v=1"), "v=0"),
        (("L24/48000/8", "AAC/48000/8"), "L16 or L24"),
        (("L24/48000/8", "L24/8"), "out of range"),
        (("a=rtpmap:96 L24/48000/8", "a=recvonly"), "rtpmap"),
        (("239.0.0.1/32", "239.0.0.999/32"), "IPv4"),
        (("5004", "70000"), "65535"),
        (("a=ptime:1", "a=ptime:soon"), "packet time"),
        (("direct=963214424", "direct=x"), "mediaclk"),
        (("c=IN IP4 239.0.0.1/32\r\n", ""), "where the packets go"),
        (("m=audio 5004", "m=video 5004"), "no audio"),
    ],
)
def test_a_description_that_contradicts_itself_names_line_and_reason(change: tuple[str, str], words: str) -> None:
    with pytest.raises(NetworkTrouble, match="(?i)" + words):
        sdp.parse(AES67_EXAMPLE.replace(*change), where="stage.sdp")


def test_two_flows_on_one_address_and_two_rates_are_named() -> None:
    one = sdp.parse(AES67_EXAMPLE)
    two = sdp.parse(AES67_EXAMPLE.replace("Stage left", "Stage right").replace("L24/48000/8", "L24/96000/8"))
    problems = sdp.find_clashes([one, two])
    assert len(problems) == 2
    assert "239.0.0.1:5004" in problems[0]
    assert "different rates" in problems[1]


def test_announcement_head_bytes() -> None:
    announcement = sap.Announcement(source="192.168.1.1", message_hash=0x1234, payload=AES67_EXAMPLE)
    datagram = sap.serialise(announcement)
    assert datagram[:24] == bytes.fromhex("20001234C0A80101") + b"application/sdp\0"
    assert sap.parse(datagram) == announcement


def test_an_announcement_may_leave_its_type_out() -> None:
    datagram = bytes.fromhex("20001234C0A80101") + AES67_EXAMPLE.encode()
    assert sap.parse(datagram).payload == AES67_EXAMPLE


@pytest.mark.parametrize("datagram", [b"", b"\x20" * 7, b"\x00" * 20, b"\x23" + b"\0" * 20, b"\x20\xff" + b"\0" * 20])
def test_what_is_no_announcement_is_malformed(datagram: bytes) -> None:
    with pytest.raises(sap.MalformedAnnouncement):
        sap.parse(datagram)


def test_interval_expiry_and_deletion_follow_rfc_2974() -> None:
    assert sap.interval_s(announcements=1, size_bytes=300) == 300.0
    assert sap.interval_s(announcements=1000, size_bytes=300) == 600.0
    assert sap.expiry_s(300.0) == 3600.0
    heard = sap.Announced()
    announcement = sap.Announcement(source="192.168.1.1", message_hash=7, payload=AES67_EXAMPLE)
    heard.feed(announcement, now_s=0.0)
    assert heard.alive(now_s=3599.0) == (announcement,)
    assert heard.alive(now_s=3601.0) == ()
    heard.feed(announcement, now_s=0.0)
    heard.feed(
        sap.parse(sap.serialise(sap.Announcement(source="192.168.1.1", message_hash=7, payload="", deletes=True))),
        now_s=1.0,
    )
    assert heard.alive(now_s=2.0) == ()
