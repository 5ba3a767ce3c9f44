"""Packets onto the timeline: where each sample of each flow belongs, decided by its RTP timestamp.

One ring holds the last seconds of every channel, one byte a flow and frame says what has arrived. Reordering,
duplicates and a second, redundant network need no case of their own: a frame is written once, by whichever packet
brings it first. Loss is what is missing when the read head passes. Compiled, without Python's lock.

Who writes what (there are no locks): the receiver alone writes ``ring``, ``present``, and the statistics; the reader
alone writes ``HEAD`` (no frame below it may be written any more) and ``DONE`` (frames below it were copied and may be
cleared). Source of the fields: RFC 3550 section 5.1; of the jitter: section 6.4.1.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Samples = NDArray[np.float32]

# positions in `shared` (int64)
HEAD, DONE, CLEARED, NEWEST, STARTED, STOP, DRAINED_NS, ORIGIN, BASE_NS, ORIGIN_AGAIN = range(10)
SHARED_FIELDS = 10
# rows of `flow_facts` (int64, one row a flow)
PAYLOAD_TYPE, SAMPLE_BYTES, CHANNELS, FIRST_CHANNEL, MEDIA_OFFSET, HAS_OFFSET = range(6)
# rows of `flow_state` (int64, one row a flow)
ANCHOR, ANCHORED, REALIGNED, SSRC_CHANGES, FLOW_SSRC = range(5)
FLOW_FIELDS = 5
# rows of `path_state` (int64, one row a socket)
(
    PACKETS,
    MALFORMED,
    FOREIGN,
    LATE,
    DUPLICATE,
    LOST,
    REORDERED,
    JUMPS,
    SEQUENCE,
    SEEN,
    BYTES,
    MISFIT,
    MISFIT_RUN,
    TIMESTAMP,
) = range(14)
PATH_FIELDS = 14
# rows of `path_clock` (float64, one row a socket)
JITTER, TRANSIT, OFFSET_NOW, OFFSET_FIRST, FIRST_S, LAST_S = range(6)

JUMPS_TO_REALIGN = 16
MISFITS_TO_REFUSE = 16
NO_ORIGIN = -1
AHEAD_S = 0.1  # a packet further ahead of the clock than this is a sender that jumped
_WRAP = 1 << 32
_HALF = 1 << 31


@njit(cache=True, nogil=True, inline="always")
def _signed(delta: int) -> int:
    """A difference of two 32-bit timestamps as the nearest whole number."""
    delta &= _WRAP - 1
    return delta - _WRAP if delta >= _HALF else delta


@njit(cache=True, nogil=True)
def place_packet(
    packet: Bytes, length: int, arrival_ns: int, path: int, flow: int, rate_hz: int, settle_frames: int,
    ring: Samples, present: Bytes, shared: Ints, base: Floats, flow_facts: Ints, flow_state: Ints,
    path_state: Ints, path_clock: Floats,
) -> int:  # fmt: skip
    """Put one packet where it belongs; returns the frames newly written. Malformed or foreign bytes are counted.

    packet : uint8 (>= length); ring : float32 (ring_frames, channels); present : uint8 (flows, ring_frames)
    base : float64 [frame at BASE_NS on the computer's clock]
    """
    stats = path_state[path]
    if length < 12 or packet[0] >> 6 != 2:
        stats[MALFORMED] += 1
        return 0
    start = 12 + 4 * (packet[0] & 0x0F)
    if packet[0] & 0x10:
        if length < start + 4:
            stats[MALFORMED] += 1
            return 0
        start += 4 + 4 * ((np.int64(packet[start + 2]) << 8) | packet[start + 3])
    end = length
    if packet[0] & 0x20 and end > start:
        if packet[length - 1] == 0:  # the count of padding includes itself
            stats[MALFORMED] += 1
            return 0
        end -= packet[length - 1]
    facts = flow_facts[flow]
    frame_bytes = facts[SAMPLE_BYTES] * facts[CHANNELS]
    size = end - start
    if size <= 0 or size % frame_bytes:
        stats[MALFORMED] += 1
        return 0
    if packet[1] & 0x7F != facts[PAYLOAD_TYPE]:
        stats[FOREIGN] += 1
        return 0
    frames = size // frame_bytes
    sequence = (np.int64(packet[2]) << 8) | packet[3]
    timestamp = (
        (np.int64(packet[4]) << 24) | (np.int64(packet[5]) << 16) | (np.int64(packet[6]) << 8) | np.int64(packet[7])
    )
    ssrc = (
        (np.int64(packet[8]) << 24) | (np.int64(packet[9]) << 16) | (np.int64(packet[10]) << 8) | np.int64(packet[11])
    )
    state = flow_state[flow]
    if state[FLOW_SSRC] != ssrc:
        if state[FLOW_SSRC] >= 0:
            state[SSRC_CHANGES] += 1
        state[FLOW_SSRC] = ssrc
        stats[SEEN] = 0
    stats[PACKETS] += 1
    stats[BYTES] += length
    if not _fits(stats, int(sequence), int(timestamp), int(frames)):
        return 0
    _follow_sequence(stats, sequence)

    if not shared[STARTED]:
        shared[ORIGIN] = (timestamp - facts[MEDIA_OFFSET] + settle_frames) & (_WRAP - 1)
        shared[BASE_NS] = arrival_ns
        base[0] = -settle_frames + frames
        shared[STARTED] = 1
    now_frame = base[0] + (arrival_ns - shared[BASE_NS]) * 1e-9 * rate_hz
    if not state[ANCHORED]:
        if facts[HAS_OFFSET]:
            state[ANCHOR] = (shared[ORIGIN] + facts[MEDIA_OFFSET]) & (_WRAP - 1)
        else:  # no relation to a reference clock is stated: aligned by arrival
            state[ANCHOR] = (timestamp - np.int64(np.rint(now_frame)) + frames) & (_WRAP - 1)
        state[ANCHORED] = 1
    # The nearest place to where the clock stands now: 32-bit timestamps wrap after hours, takes do not end for it.
    near = np.int64(np.rint(now_frame))
    first = near + _signed(timestamp - state[ANCHOR] - near)
    error = first + frames - now_frame
    head = shared[HEAD]
    if error > AHEAD_S * rate_hz or error < -ring.shape[0]:
        stats[JUMPS] += 1
        if stats[JUMPS] >= JUMPS_TO_REALIGN:  # the sender restarted on another timestamp: go on at today's place
            state[ANCHOR] = _new_anchor(int(timestamp), int(near), int(frames), facts, shared, AHEAD_S * rate_hz)
            state[REALIGNED] += 1
            stats[JUMPS] = 0
        return 0
    stats[JUMPS] = 0
    _follow_clock(path_clock[path], int(first), arrival_ns, rate_hz, shared)
    if -AHEAD_S * rate_hz < error:  # bursts after a stall say nothing about the clock
        base[0] += error * (1.0 / 16.0 if error > 0.0 else 1.0 / 2048.0)
    if first + frames <= head:
        if first >= 0:  # before the take began nothing is late
            stats[LATE] += 1
        return 0
    written = _write(packet, start, int(frames), int(first), flow, facts, ring, present, shared)
    if written == 0:
        stats[DUPLICATE] += 1
    if first + frames > shared[NEWEST]:
        shared[NEWEST] = first + frames
    return written


@njit(cache=True, nogil=True)
def _fits(stats: Ints, sequence: int, timestamp: int, frames: int) -> bool:
    """Whether the payload is as long as the timestamps say; a stray packet is given the benefit of the doubt.

    Between neighbours by sequence number the timestamp moves by the frames of one packet. Where it steadily does not,
    encoding or channel count are not those described, and what the bytes would decode to is noise at full level.
    """
    step = (sequence - stats[SEQUENCE]) & 0xFFFF
    if stats[SEEN] and step == 1:
        if (timestamp - stats[TIMESTAMP]) & (_WRAP - 1) == frames:
            stats[MISFIT_RUN] = 0
        else:
            stats[MISFIT_RUN] += 1
    if not stats[SEEN] or step < 0x8000:
        stats[TIMESTAMP] = timestamp
    if stats[MISFIT_RUN] < MISFITS_TO_REFUSE:
        return True
    stats[MISFIT] += 1
    stats[SEQUENCE], stats[TIMESTAMP] = sequence, timestamp
    return False


@njit(cache=True, nogil=True)
def _new_anchor(timestamp: int, near: int, frames: int, facts: Ints, shared: Ints, most_frames: float) -> int:
    """Where a flow goes on whose timestamps have jumped: with its neighbours where it shares their clock.

    The first flow of a restarted desk is taken up by its arrival and sets a new origin; the others, which state their
    offset to the same clock, follow it to the sample.
    """
    by_arrival = (timestamp - near + frames) & (_WRAP - 1)
    if not facts[HAS_OFFSET]:
        return by_arrival
    for origin in (shared[ORIGIN], shared[ORIGIN_AGAIN]):
        if origin == NO_ORIGIN:
            continue
        anchor = (origin + facts[MEDIA_OFFSET]) & (_WRAP - 1)
        if abs(_signed(anchor - by_arrival)) < most_frames:
            return int(anchor)
    shared[ORIGIN_AGAIN] = (by_arrival - facts[MEDIA_OFFSET]) & (_WRAP - 1)
    return by_arrival


@njit(cache=True, nogil=True)
def _follow_sequence(stats: Ints, sequence: int) -> None:
    """Loss and reordering as one network shows them, by 16-bit sequence numbers."""
    if not stats[SEEN]:
        stats[SEEN] = 1
        stats[SEQUENCE] = sequence
        return
    step = (sequence - stats[SEQUENCE]) & 0xFFFF
    if step == 0:
        return
    if step < 0x8000:
        stats[LOST] += step - 1
        stats[SEQUENCE] = sequence
    else:
        stats[REORDERED] += 1
        if stats[LOST] > 0:
            stats[LOST] -= 1


@njit(cache=True, nogil=True)
def _follow_clock(clock: Floats, first: int, arrival_ns: int, rate_hz: int, shared: Ints) -> None:
    """Jitter by RFC 3550 section 6.4.1, and the slow drift of the media clock against the computer's."""
    seconds = (arrival_ns - shared[BASE_NS]) * 1e-9
    transit = seconds * rate_hz - first
    if clock[LAST_S] == 0.0 and clock[FIRST_S] == 0.0:
        clock[OFFSET_NOW] = transit
        clock[OFFSET_FIRST] = transit
        clock[FIRST_S] = seconds if seconds != 0.0 else 1e-9
    else:
        difference = abs(transit - clock[TRANSIT])
        clock[JITTER] += (difference - clock[JITTER]) / 16.0
        clock[OFFSET_NOW] += (transit - clock[OFFSET_NOW]) / 256.0
        if seconds - clock[FIRST_S] < 1.0:  # the first second settles the starting point
            clock[OFFSET_FIRST] = clock[OFFSET_NOW]
    clock[TRANSIT] = transit
    clock[LAST_S] = seconds


@njit(cache=True, nogil=True)
def _write(
    packet: Bytes,
    start: int,
    frames: int,
    first: int,
    flow: int,
    facts: Ints,
    ring: Samples,
    present: Bytes,
    shared: Ints,
) -> int:
    ring_frames = ring.shape[0]
    lowest = shared[HEAD]
    highest = shared[CLEARED] + ring_frames
    channels = facts[CHANNELS]
    first_channel = facts[FIRST_CHANNEL]
    written = 0
    at = start
    wide = facts[SAMPLE_BYTES] == 3
    scale = np.float32(1.0 / 8388608.0) if wide else np.float32(1.0 / 32768.0)
    for index in range(frames):
        frame = first + index
        if frame < lowest or frame < 0 or frame >= highest:
            at += channels * facts[SAMPLE_BYTES]
            continue
        row = frame % ring_frames
        if present[flow, row]:
            at += channels * facts[SAMPLE_BYTES]
            continue
        for channel in range(channels):
            if wide:
                value = (np.int32(packet[at]) << 16) | (np.int32(packet[at + 1]) << 8) | np.int32(packet[at + 2])
                value = value - 16777216 if value >= 8388608 else value
                at += 3
            else:
                value = (np.int32(packet[at]) << 8) | np.int32(packet[at + 1])
                value = value - 65536 if value >= 32768 else value
                at += 2
            ring[row, first_channel + channel] = value * scale
        present[flow, row] = 1
        written += 1
    return written


@njit(cache=True, nogil=True)
def clear_behind(present: Bytes, shared: Ints) -> None:
    """Forget what the reader has copied, so that the ring can be used again."""
    done = shared[DONE]
    ring_frames = present.shape[1]
    frame = shared[CLEARED]
    while frame < done:
        row = frame % ring_frames
        count = min(done - frame, ring_frames - row)
        present[:, row : row + count] = 0
        frame += count
    shared[CLEARED] = done


@njit(cache=True, nogil=True)
def missing_runs(present: Bytes, flow: int, first_frame: int, frames: int, runs: Ints) -> int:
    """Spans of ``flow`` that have not arrived, as rows (first_frame, frames) of ``runs``; returns how many."""
    ring_frames = present.shape[1]
    count = 0
    open_at = -1
    for index in range(frames):
        here = present[flow, (first_frame + index) % ring_frames]
        if not here and open_at < 0:
            open_at = index
        elif here and open_at >= 0:
            runs[count, 0] = first_frame + open_at
            runs[count, 1] = index - open_at
            count += 1
            open_at = -1
    if open_at >= 0:
        runs[count, 0] = first_frame + open_at
        runs[count, 1] = frames - open_at
        count += 1
    return count
