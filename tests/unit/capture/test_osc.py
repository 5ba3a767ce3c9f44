"""OSC 1.0 packets, against the specification's own examples and python-osc as an independent sender."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder
from pythonosc.osc_message_builder import OscMessageBuilder

from nightreel.capture.osc import OscMessage, matches, parse_packet, serialise_message
from nightreel.errors import ArgumentInvalid

# OpenSound Control Specification 1.0 examples (2002).
FREQUENCY = bytes.fromhex("2F6F7363696C6C61746F722F342F6672657175656E6379002C66000043DC0000")
FOO = bytes.fromhex("2F666F6F000000002C69697366660000000003E8FFFFFFFF68656C6C6F0000003F9DF3B640B5B22D")


def test_the_examples_of_the_specification() -> None:
    (frequency,) = parse_packet(FREQUENCY)
    assert frequency == OscMessage(address="/oscillator/4/frequency", arguments=(440.0,))
    (foo,) = parse_packet(FOO)
    assert foo.address == "/foo"
    assert foo.arguments[:3] == (1000, -1, "hello")
    assert foo.arguments[3:] == pytest.approx((1.234, 5.678), rel=1e-6)
    assert serialise_message(frequency) == FREQUENCY
    assert serialise_message(foo) == FOO


def test_messages_of_an_independent_sender_arrive_as_sent() -> None:
    builder = OscMessageBuilder("/mark")
    for value in ("Tin Boats", 7, 0.5, True, False, None, b"\x01\x02\x03"):
        builder.add_arg(value)
    (message,) = parse_packet(builder.build().dgram)
    assert message == OscMessage(address="/mark", arguments=("Tin Boats", 7, 0.5, True, False, None, b"\x01\x02\x03"))


def test_bundles_in_bundles_are_opened_in_order() -> None:
    inner = OscBundleBuilder(IMMEDIATELY)
    outer = OscBundleBuilder(IMMEDIATELY)
    for number in range(3):
        builder = OscMessageBuilder(f"/cue/{number}")
        builder.add_arg(number)
        (inner if number else outer).add_content(builder.build())
    outer.add_content(inner.build())
    assert [m.address for m in parse_packet(outer.build().dgram)] == ["/cue/0", "/cue/1", "/cue/2"]


@pytest.mark.parametrize(
    ("pattern", "address", "fits"),
    [
        ("/mark", "/mark", True),
        ("/mark", "/marks", False),
        ("/cue/*/go", "/cue/12/go", True),
        ("/cue/*", "/cue/1/go", False),
        ("/cue/?", "/cue/7", True),
        ("/cue/[0-9]", "/cue/7", True),
        ("/cue/[!0-9]", "/cue/7", False),
        ("/{mark,song}/next", "/song/next", True),
        ("/a.c", "/abc", False),
        ("/[", "/[", True),
        ("/[]", "/x", False),
    ],
)
def test_patterns_follow_the_specification(pattern: str, address: str, fits: bool) -> None:
    assert matches(pattern, address) is fits


@settings(max_examples=200)
@given(st.one_of(st.binary(max_size=80), st.binary(max_size=60).map(lambda b: b"#bundle\0" + bytes(8) + b)))
def test_any_packet_is_parsed_or_refused(data: bytes) -> None:
    with contextlib.suppress(ArgumentInvalid):
        parse_packet(data)


@settings(max_examples=100)
@given(st.text(max_size=12), st.text(max_size=12))
def test_any_pattern_is_answered(pattern: str, address: str) -> None:
    assert matches(pattern, address) in (True, False)


def test_a_packet_cut_anywhere_is_refused() -> None:
    for cut in range(4, len(FOO), 4):
        with contextlib.suppress(ArgumentInvalid):
            (message,) = parse_packet(FOO[:cut])
            assert len(message.arguments) == 0  # only the bare address is whole
