"""Any bytes, and any delivery of good packets: nothing is written outside, and what came is there.

Held against the plain codec (RFC 3550 section 5.1 in :mod:`nightreel.ports.aes67.rtp`) and against sets of frames.
"""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.rtpband import noise

from nightreel.ports.aes67 import payload, placing, rtp
from nightreel.ports.aes67.batches import PACKET_BYTES, Board, make_board

RATE_HZ = 48_000
PACKET = 48
RING = 4_096
CHANNELS = 2
GUARD = 64
CANARY = 77


def board_between_guards(*, flows: int, path_flow: list[int]) -> tuple[Board, np.ndarray, np.ndarray]:
    """A board whose ring and presence lie inside larger arrays; the rest of those must never change."""
    facts = np.array([[96, 3, CHANNELS, CHANNELS * flow, 0, 1] for flow in range(flows)], np.int64)
    plain = make_board(
        rate_hz=RATE_HZ, channels=CHANNELS * flows, ring_frames=RING, settle_frames=0, flow_facts=facts,
        path_flow=path_flow,
    )  # fmt: skip
    ring = np.full((RING + 2 * GUARD, CHANNELS * flows), CANARY, np.float32)
    present = np.full((flows + 2, RING), CANARY, np.uint8)
    ring[GUARD:-GUARD], present[1:-1] = 0.0, 0
    inside = {name: getattr(plain, name) for name in Board.__dataclass_fields__}
    return Board(**{**inside, "ring": ring[GUARD:-GUARD], "present": present[1:-1]}), ring, present


def guards_hold(ring: np.ndarray, present: np.ndarray) -> bool:
    outside = (ring[:GUARD], ring[-GUARD:], present[0], present[-1])
    return all((part == CANARY).all() for part in outside)


header_like = st.builds(
    lambda first, second, rest, body, last: bytes([first, second]) + rest + body + last,
    st.sampled_from([0x80, 0x81, 0x8F, 0x90, 0x9F, 0xA0, 0xB0, 0xBF, 0x40, 0x00]),
    st.sampled_from([96, 96 + 0x80, 97, 0]),
    st.binary(min_size=10, max_size=10),
    st.binary(max_size=200) | st.binary(min_size=6, max_size=6).map(lambda unit: unit * 48),
    st.binary(max_size=1),
)


@settings(max_examples=400, deadline=None)
@given(st.lists(st.binary(max_size=120) | header_like, max_size=8), st.integers(0, 255))
def test_no_bytes_write_outside_and_only_those_that_parse_are_packets(packets: list[bytes], filler: int) -> None:
    """``filler`` stands in the buffer behind each packet, as an older and longer packet would: it must not matter."""
    boards = [board_between_guards(flows=1, path_flow=[0]) for _ in range(2)]
    accepted = malformed = 0
    for index, packet in enumerate(packets):
        for (board, _, _), behind in zip(boards, (filler, filler ^ 0xFF), strict=True):
            buffer = np.full(PACKET_BYTES, behind, np.uint8)
            buffer[: len(packet)] = np.frombuffer(packet, np.uint8)
            board.place(buffer, len(packet), index * 1_000_000, 0)
        try:
            parsed = rtp.parse(packet)
        except rtp.MalformedPacket:
            malformed += 1
            continue
        if not parsed.payload or len(parsed.payload) % (3 * CHANNELS):
            malformed += 1
        elif parsed.payload_type == 96:
            accepted += 1
    (board, ring, present), (other, _, _) = boards
    assert guards_hold(ring, present)
    np.testing.assert_array_equal(board.ring, other.ring)
    np.testing.assert_array_equal(board.present, other.present)
    assert int(board.path_state[0, placing.MALFORMED]) == malformed
    assert int(board.path_state[0, placing.PACKETS]) == accepted
    assert set(np.unique(board.present)) <= {0, 1}


AUDIO = noise(60 * PACKET, 2 * CHANNELS, seed=3)


@settings(max_examples=80, deadline=None)
@given(
    deliveries=st.lists(st.tuples(st.integers(0, 2), st.integers(0, 59)), min_size=1, max_size=150),
    first_timestamp=st.integers(0, (1 << 32) - 1) | st.integers((1 << 32) - 3_000, (1 << 32) - 1),
    first_sequence=st.integers(0, (1 << 16) - 1) | st.integers((1 << 16) - 60, (1 << 16) - 1),
)
def test_what_is_present_is_the_union_of_what_was_delivered(
    deliveries: list[tuple[int, int]], first_timestamp: int, first_sequence: int
) -> None:
    """Path 0 and 1 are two networks of flow 0, path 2 is flow 1; in any order, any number of times, across wraps."""
    board, ring, present = board_between_guards(flows=2, path_flow=[0, 0, 1])
    origin = deliveries[0][1] * PACKET
    written = 0
    union: set[tuple[int, int]] = set()
    for path, index in deliveries:
        flow = path // 2
        packet = rtp.serialise(
            rtp.RtpPacket(
                payload_type=96,
                sequence=(first_sequence + index) % (1 << 16),
                timestamp=(first_timestamp + index * PACKET) % (1 << 32),
                ssrc=7 + flow,
                payload=payload.encode(
                    AUDIO[index * PACKET : (index + 1) * PACKET, CHANNELS * flow : CHANNELS * (flow + 1)], "L24"
                ),
            )
        )
        buffer = np.zeros(PACKET_BYTES, np.uint8)
        buffer[: len(packet)] = np.frombuffer(packet, np.uint8)
        written += board.place(buffer, len(packet), 1_000_000, path)
        first = index * PACKET - origin
        union |= {(flow, frame) for frame in range(max(first, 0), max(first + PACKET, 0))}
    expected = np.zeros((2, RING), np.uint8)
    for flow, frame in union:
        expected[flow, frame] = 1
    np.testing.assert_array_equal(board.present, expected)
    assert written == len(union)
    assert guards_hold(ring, present)
    for flow in range(2):
        frames = np.flatnonzero(expected[flow])
        own = slice(CHANNELS * flow, CHANNELS * (flow + 1))
        np.testing.assert_array_equal(board.ring[frames, own], AUDIO[frames + origin, own])
    assert int(board.path_state[:, placing.MISFIT].sum()) == 0
