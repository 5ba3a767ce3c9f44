"""The review: whole review against the meters alone, memory and page size on a long take, and the planted faults.

Environment: REVIEW_MINUTES (default 10) is the length of the take for the ratio, REVIEW_HOURS (default 0: left out) the
length of the take for memory, REVIEW_LINES (default 64) the lines of both, REVIEW_SHOWS (default 40) the number of
shows with planted faults.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

LINES = int(os.environ.get("REVIEW_LINES", "64"))


def run() -> None:
    minutes = float(os.environ.get("REVIEW_MINUTES", "10"))
    hours = float(os.environ.get("REVIEW_HOURS", "0"))
    shows = int(os.environ.get("REVIEW_SHOWS", "40"))
    with tempfile.TemporaryDirectory() as folder:
        from bench.faults.long_take import write_base

        write_base(Path(folder))
        if minutes:
            _ratio(Path(folder), minutes * 60)
        if hours:
            _apart(_memory, Path(folder), hours * 3600)
    if shows:
        _faults(shows)


def _ratio(folder: Path, seconds: float) -> None:
    from bench.faults.long_take import long_take
    from nightreel.review.engine import gather, judge
    from nightreel.signal.meters import LineMeters

    with long_take(folder, lines=LINES, seconds=4) as warm:
        judge(warm, gather(warm)[0])
    take = long_take(folder, lines=LINES, seconds=seconds)
    began, cpu = time.perf_counter(), time.process_time()
    for first in range(0, LINES, 16):
        lines = range(first + 1, first + 17)
        meters = LineMeters.start(rate_hz=take.rate_hz, channels=16)
        for at in range(0, take.frames, 1 << 17):
            meters.feed(take.read(lines, at, min(1 << 17, take.frames - at)))
        meters.result()
    meters_s, meters_cpu = time.perf_counter() - began, time.process_time() - cpu
    began, cpu = time.perf_counter(), time.process_time()
    material, _ = gather(take)
    gathered_s, gathered_cpu = time.perf_counter() - began, time.process_time() - cpu
    began, cpu = time.perf_counter(), time.process_time()
    review = judge(take, material)
    judged_s, judged_cpu = time.perf_counter() - began, time.process_time() - cpu
    print(f"{LINES} lines of {seconds / 60:g} min; processor seconds (wall seconds)")
    print(f"  meters alone, one thread     {meters_cpu:8.1f} ({meters_s:.1f})")
    print(f"  measuring for the review     {gathered_cpu:8.1f} ({gathered_s:.1f})")
    print(f"  judging, {len(review.findings):3d} findings       {judged_cpu:8.1f} ({judged_s:.1f})")
    print(f"  whole review / meters alone  {(gathered_cpu + judged_cpu) / meters_cpu:8.2f} in processor time")
    take.close()


def _memory(folder: Path, seconds: float) -> None:
    from bench.faults.long_take import long_take
    from nightreel.review.engine import review_take
    from nightreel.review.page import review_page

    take = long_take(folder, lines=LINES, seconds=seconds)
    began, cpu = time.perf_counter(), time.process_time()
    review, material = review_take(take)
    page = review_page(review, material)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{LINES} lines of {seconds / 3600:g} h: {time.process_time() - cpu:.0f} processor s, "
          f"{time.perf_counter() - began:.0f} s wall; most memory {most:.0f} MiB; "
          f"page {len(page.encode()) / 1e6:.1f} MB; {len(review.findings)} findings", flush=True)  # fmt: skip
    path = Path(os.environ.get("REVIEW_PAGE", str(folder / "review.html")))
    path.write_text(page, encoding="utf-8")
    _opening(path)
    take.close()


def _opening(path: Path) -> None:
    from playwright.sync_api import sync_playwright

    flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
             "--disable-sync", "--no-first-run"]  # fmt: skip
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=flags)
        times = []
        for _ in range(5):
            page = browser.new_page()
            began = time.perf_counter()
            page.goto(path.as_uri(), wait_until="load")
            page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
            times.append(time.perf_counter() - began)
            page.close()
        browser.close()
    print(
        f"page opens in Chromium in {np.median(times):.2f} s (median of {len(times)}, load and first paint)", flush=True
    )


def _apart(work, folder: Path, seconds: float) -> None:  # type: ignore[no-untyped-def]
    """In a process of its own, so that its highest memory is its own."""
    process = multiprocessing.get_context("spawn").Process(target=work, args=(folder, seconds))
    process.start()
    process.join()


def _faults(shows: int) -> None:
    from bench.faults.run import run_shows, table

    half = shows // 2
    print(f"\nPlanted faults, shows 0 to {half - 1} (thresholds were set on these)")
    print(table(run_shows(range(half))))
    print(f"\nPlanted faults, shows {half} to {shows - 1} (not looked at while setting thresholds)")
    print(table(run_shows(range(half, shows))))
