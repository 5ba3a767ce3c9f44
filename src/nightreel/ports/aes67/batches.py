"""Receiving in batches: a compiled thread around ``poll`` and ``recvmmsg`` on Linux, plain sockets elsewhere.

Both hand every packet to :func:`placing.place_packet`. The compiled loop never takes Python's lock, so a stalled
interpreter loses nothing.
"""

from __future__ import annotations

import ctypes
import select
import socket
import sys
import threading
import time
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nightreel.ports.aes67 import placing
from nightreel.ports.aes67.sockets import Ear

BATCH = 64
PACKET_BYTES = 2048
POLL_MS = 20
REST_US = 1500  # between drains, so that one system call fetches several packets

LINUX_BATCHES = sys.platform.startswith("linux") and ctypes.sizeof(ctypes.c_void_p) == 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """All arrays that receiver and reader share; see :mod:`placing` for who writes what."""

    rate_hz: int
    settle_frames: int
    ring: NDArray[np.float32]
    present: NDArray[np.uint8]
    shared: NDArray[np.int64]
    base: NDArray[np.float64]
    flow_facts: NDArray[np.int64]
    flow_state: NDArray[np.int64]
    path_state: NDArray[np.int64]
    path_clock: NDArray[np.float64]
    path_flow: NDArray[np.int64]

    def place(self, packet: NDArray[np.uint8], length: int, arrival_ns: int, path: int) -> int:
        written: int = placing.place_packet(
            packet, length, arrival_ns, path, int(self.path_flow[path]), self.rate_hz, self.settle_frames, self.ring,
            self.present, self.shared, self.base, self.flow_facts, self.flow_state, self.path_state, self.path_clock,
        )  # fmt: skip
        return written


def make_board(
    *,
    rate_hz: int,
    channels: int,
    ring_frames: int,
    settle_frames: int,
    flow_facts: NDArray[np.int64],
    path_flow: list[int],
) -> Board:
    """Fresh arrays, touched once so that the first packets meet no page faults."""
    flows, paths = flow_facts.shape[0], len(path_flow)
    board = Board(
        rate_hz=rate_hz,
        settle_frames=settle_frames,
        ring=np.zeros((ring_frames, channels), np.float32),
        present=np.zeros((flows, ring_frames), np.uint8),
        shared=np.zeros(placing.SHARED_FIELDS, np.int64),
        base=np.zeros(1, np.float64),
        flow_facts=flow_facts,
        flow_state=np.zeros((flows, placing.FLOW_FIELDS), np.int64),
        path_state=np.zeros((paths, placing.PATH_FIELDS), np.int64),
        path_clock=np.zeros((paths, 6), np.float64),
        path_flow=np.array(path_flow, np.int64),
    )
    board.flow_state[:, placing.FLOW_SSRC] = -1
    board.shared[placing.ORIGIN_AGAIN] = placing.NO_ORIGIN
    board.ring.fill(0.0)
    board.present.fill(0)
    return board


class Receiver(threading.Thread):
    """Empties the sockets until told to stop. Start it once."""

    def __init__(self, ears: list[Ear], board: Board) -> None:
        super().__init__(name="network receiver", daemon=True)
        self._ears = ears
        self._board = board
        self.failure: BaseException | None = None

    def run(self) -> None:
        try:
            if LINUX_BATCHES:
                _run_batches(self._ears, self._board)
            else:
                _run_plain(self._ears, self._board)
        except BaseException as error:  # handed to the reader, which says it
            self.failure = error

    def finish(self) -> None:
        self._board.shared[placing.STOP] = 1
        if self.is_alive():
            self.join(timeout=5.0)


def compile_receiver() -> None:
    """Have everything compiled that receiving needs, by a loop that is told to stop at once.

    It takes seconds the first time: a socket opened before would hold a backlog, and the newest audio would be old.
    A process forked after this starts receiving at once.
    """
    facts = np.array([[96, 3, 1, 0, 0, 1]], np.int64)
    board = make_board(rate_hz=48_000, channels=1, ring_frames=4_800, settle_frames=0, flow_facts=facts, path_flow=[0])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as deaf:
        board.shared[placing.STOP] = 1
        Receiver([Ear(socket=deaf, buffer_bytes=0)], board).run()
    placing.missing_runs(board.present, 0, 0, 48, np.zeros((49, 2), np.int64))


def _run_plain(ears: list[Ear], board: Board) -> None:
    """The portable path: one packet a call."""
    packet = np.zeros(PACKET_BYTES, np.uint8)
    sockets = {ear.socket: path for path, ear in enumerate(ears)}
    while not board.shared[placing.STOP]:
        ready, _, _ = select.select(list(sockets), [], [], POLL_MS / 1000)
        placing.clear_behind(board.present, board.shared)
        for ready_socket in ready:
            for _ in range(BATCH):
                try:
                    length = ready_socket.recv_into(packet.data)
                except BlockingIOError:
                    break
                board.place(packet, length, time.monotonic_ns(), sockets[ready_socket])
        if not ready:
            board.shared[placing.DRAINED_NS] = time.monotonic_ns()


if LINUX_BATCHES:
    _libc = ctypes.CDLL(None, use_errno=False)
    _poll = _libc.poll
    _poll.argtypes = [ctypes.c_void_p, ctypes.c_ulong, ctypes.c_int]
    _poll.restype = ctypes.c_int
    _recvmmsg = _libc.recvmmsg
    _recvmmsg.argtypes = [ctypes.c_int, ctypes.c_void_p, ctypes.c_uint, ctypes.c_int, ctypes.c_void_p]
    _recvmmsg.restype = ctypes.c_int
    _clock_gettime = _libc.clock_gettime
    _clock_gettime.argtypes = [ctypes.c_int, ctypes.c_void_p]
    _clock_gettime.restype = ctypes.c_int
    _usleep = _libc.usleep
    _usleep.argtypes = [ctypes.c_uint]
    _usleep.restype = ctypes.c_int
    _CLOCK_MONOTONIC = 1
    _MSG_DONTWAIT = 0x40
    _MSG_TRUNC = 0x20

    @njit(nogil=True)
    def _batch_loop(  # type: ignore[no-untyped-def]
        polls, descriptors, messages, packets, moment, path_flow, rate_hz, settle_frames, ring, present, shared, base,
        flow_facts, flow_state, path_state, path_clock,
    ):  # fmt: skip
        """poll, then drain every socket. A message header is 8 words, its last one the length received."""
        while not shared[placing.STOP]:
            ready = _poll(polls.ctypes.data, np.uint64(descriptors.shape[0]), np.int32(POLL_MS))
            placing.clear_behind(present, shared)
            drained = True
            if ready > 0:
                for path in range(descriptors.shape[0]):
                    count = _recvmmsg(
                        descriptors[path], messages.ctypes.data, np.uint32(BATCH), np.int32(_MSG_DONTWAIT), np.uint64(0)
                    )
                    if count <= 0:
                        continue
                    _clock_gettime(np.int32(_CLOCK_MONOTONIC), moment.ctypes.data)
                    now_ns = moment[0] * 1000000000 + moment[1]
                    for index in range(count):
                        length = np.int64(messages[index, 7] & np.uint64(0xFFFFFFFF))
                        if messages[index, 6] & np.uint64(_MSG_TRUNC):  # longer than our buffers: its end is cut off
                            length = np.int64(0)
                        placing.place_packet(
                            packets[index], int(length), now_ns, path, path_flow[path], rate_hz, settle_frames, ring,
                            present, shared, base, flow_facts, flow_state, path_state, path_clock,
                        )  # fmt: skip
                    if count == BATCH:
                        drained = False
            if drained:
                _clock_gettime(np.int32(_CLOCK_MONOTONIC), moment.ctypes.data)
                shared[placing.DRAINED_NS] = moment[0] * 1000000000 + moment[1]
                if ready > 0:
                    _usleep(np.uint32(REST_US))

    def _run_batches(ears: list[Ear], board: Board) -> None:
        descriptors = np.array([ear.socket.fileno() for ear in ears], np.int32)
        polls = np.zeros((len(ears), 2), np.int32)  # struct pollfd: int fd; short events, revents
        polls[:, 0] = descriptors
        polls[:, 1] = select.POLLIN
        packets = np.zeros((BATCH, PACKET_BYTES), np.uint8)
        vectors = np.zeros((BATCH, 2), np.uint64)
        vectors[:, 0] = packets.ctypes.data + np.arange(BATCH, dtype=np.uint64) * np.uint64(PACKET_BYTES)
        vectors[:, 1] = PACKET_BYTES
        messages = np.zeros((BATCH, 8), np.uint64)  # struct mmsghdr on 64-bit Linux
        messages[:, 2] = vectors.ctypes.data + np.arange(BATCH, dtype=np.uint64) * np.uint64(16)
        messages[:, 3] = 1
        moment = np.zeros(2, np.int64)
        _batch_loop(
            polls, descriptors, messages, packets, moment, board.path_flow, board.rate_hz, board.settle_frames,
            board.ring, board.present, board.shared, board.base, board.flow_facts, board.flow_state,
            board.path_state, board.path_clock,
        )  # fmt: skip

else:
    _run_batches = _run_plain
