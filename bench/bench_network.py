"""What receiving costs: processor time a packet and share of a core, from flows sent over loopback in real time.

The peer in the same run is a plain Python loop (``select`` and ``recv_into``) that only counts the same packets.
"""

from __future__ import annotations

import multiprocessing
import select
import socket
import sys
import time

import numpy as np

from nightreel.ports.aes67 import sdp
from nightreel.ports.aes67.send import NetworkSink
from nightreel.ports.aes67.source import NetworkSource

SECONDS = 8.0
CASES = ((8, 8, 48_000, 1.0), (16, 8, 48_000, 1.0), (32, 4, 96_000, 1.0), (8, 8, 48_000, 0.125))
FIRST_PORT = 21_000


def flows(count: int, channels: int, rate_hz: int, packet_time_ms: float) -> list[sdp.StreamDescription]:
    return [
        sdp.StreamDescription(
            name=f"flow {i}",
            destinations=(sdp.Destination(address="127.0.0.1", port=FIRST_PORT + i),),
            payload_type=96,
            encoding="L24",
            rate_hz=rate_hz,
            channels=channels,
            packet_time_ms=packet_time_ms,
            media_offset=0,
        )
        for i in range(count)
    ]


def send(case: tuple[int, int, int, float], seconds: float) -> None:
    streams = flows(*case)
    sink = NetworkSink(streams)
    sink.start()
    block = np.random.default_rng(0).uniform(-0.5, 0.5, (case[2] // 50, case[0] * case[1])).astype(np.float32)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        sink.write(block)
    sink.stop()


def measure(case: tuple[int, int, int, float]) -> tuple[int, float, int, int]:
    """Packets, processor seconds of this process while receiving and reading, frames missing, packets lost."""
    source = NetworkSource(flows(*case))
    source.start()
    sender = multiprocessing.get_context("spawn").Process(target=send, args=(case, SECONDS))
    sender.start()
    while source.read(timeout_s=1.0) is None:
        continue
    began, before = time.process_time(), sum(s.packets for s in source.statistics())
    missing, end = 0, time.monotonic() + SECONDS - 3.0
    while time.monotonic() < end:
        block = source.read(timeout_s=0.1)
        missing += sum(gap.frames for gap in block.gaps) if block else 0
    used = time.process_time() - began
    statistics = source.statistics()
    packets = sum(s.packets for s in statistics) - before
    source.stop()
    sender.join()
    return packets, used, missing, sum(s.lost for s in statistics)


def measure_plain(case: tuple[int, int, int, float]) -> tuple[int, float]:
    ears = []
    for stream in flows(*case):
        ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        ear.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2_097_152)
        ear.bind(("127.0.0.1", stream.destinations[0].port))
        ear.setblocking(False)
        ears.append(ear)
    sender = multiprocessing.get_context("spawn").Process(target=send, args=(case, SECONDS))
    sender.start()
    select.select(ears, [], [])
    packets, packet, began = 0, bytearray(2048), time.process_time()
    end = time.monotonic() + SECONDS - 3.0
    while time.monotonic() < end:
        for ear in select.select(ears, [], [], 0.1)[0]:
            try:
                while True:
                    ear.recv_into(packet)
                    packets += 1
            except BlockingIOError:
                continue
    used = time.process_time() - began
    for ear in ears:
        ear.close()
    sender.join()
    return packets, used


def run() -> None:
    print("flows x channels, rate, packet time | packets/s | us a packet | share of a core | lost | plain Python us")
    for case in CASES:
        packets, used, missing, lost = measure(case)
        plain_packets, plain_used = measure_plain(case)
        count, channels, rate_hz, packet_time_ms = case
        print(
            f"{count} x {channels}, {rate_hz} Hz, {packet_time_ms:g} ms | {packets / (SECONDS - 3.0):.0f} | "
            f"{used / packets * 1e6:.1f} | {used / (SECONDS - 3.0) * 100:.1f} % | {lost} packets, {missing} frames | "
            f"{plain_used / max(1, plain_packets) * 1e6:.1f}"
        )
        sys.stdout.flush()
