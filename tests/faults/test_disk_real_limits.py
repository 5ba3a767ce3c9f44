"""A real limit instead of a played one: the system's own cap on the size of a file (RLIMIT_FSIZE, POSIX setrlimit).

It is set in a process of its own, which then reports what its user would have seen.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import soundfile

LIMIT_BYTES = 200_000

WRITER = """
import json, resource, sys
from pathlib import Path
import numpy as np
from nightreel.errors import DiskTrouble
from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveWriter
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
writer = WaveWriter.create(Path(sys.argv[1]), WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24))
claimed = 0
try:
    while True:
        writer.write(np.full((4801, 1), 0.25, np.float32))
        claimed = writer.checkpoint()
except DiskTrouble as error:
    print(json.dumps({"claimed": claimed, **error.as_dict()}))
writer.abandon()
"""


def test_a_file_that_may_not_grow_further_is_good_up_to_the_last_checkpoint(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    run = subprocess.run(
        [sys.executable, "-c", WRITER, str(path), str(LIMIT_BYTES)], capture_output=True, text=True, check=True
    )
    said = json.loads(run.stdout)
    assert said["what"] == "the file has reached the largest size this file system allows"
    assert "Start a new file" in said["now"]
    assert said["where"] == str(path)
    assert path.stat().st_size <= LIMIT_BYTES
    heard, _ = soundfile.read(path)
    assert len(heard) == said["claimed"] >= 13 * 4801 - 1
    assert (heard == 0.25).all()


HANDOVER = """
import resource, sys
from nightreel.cli import main
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), int(sys.argv[1])))
main(sys.argv[2:])
"""


def test_a_handover_that_meets_the_limit_says_so_and_is_completed_without_it(tmp_path: Path) -> None:
    from tests.unit.handover.small_take import make_show

    from nightreel.handover import check_bag

    show, place = make_show(tmp_path / "show"), tmp_path / "to"
    place.mkdir()
    asked = ["handover", str(show), "--to", str(place), "--name", "x", "--lines", "1-2"]
    for flac in ([], ["--flac"]):
        name = [*asked, *flac, "--name", "f" if flac else "x"]
        run = subprocess.run(
            [sys.executable, "-c", HANDOVER, str(LIMIT_BYTES), *name], capture_output=True, text=True, check=False
        )
        assert run.returncode == 1, run.stderr
        assert "largest size this file system allows" in run.stderr
        assert "Traceback" not in run.stderr
        assert not (place / name[-1]).exists()
        subprocess.run([sys.executable, "-m", "nightreel", *name], capture_output=True, check=True)
        assert check_bag(place / name[-1]).problems == ()
