"""`nightreel devices --listen`: what is announced is listed, saved as it was announced, and nothing is written over."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from tests.rtpband import stream

from nightreel.cli.main import night
from nightreel.errors import AlreadyThere, ArgumentInvalid
from nightreel.ports.aes67.announce import Announcer
from nightreel.ports.aes67.files import load_streams
from nightreel.ports.aes67.sdp import StreamDescription

CARD = "127.0.0.1"


@pytest.fixture
def announced(tmp_path: Path) -> Iterator[list[StreamDescription]]:
    """Names of this test alone: others may announce on loopback at the same time."""
    flows = [stream(f"{tmp_path.name} {number}", channels=8) for number in (1, 2, 10)]
    announcer = Announcer(flows, source=CARD, every_s=0.2)
    announcer.start()
    yield flows
    announcer.stop()


def devices(*words: object) -> Result:
    return CliRunner().invoke(night, ["devices", "--listen", "0.7", "--card", CARD, *map(str, words)])


def test_streams_are_saved_as_they_were_announced_and_in_their_order(
    announced: list[StreamDescription], tmp_path: Path
) -> None:
    done = devices("--save", tmp_path / "sdp", "--json")
    assert done.exception is None, done.output
    heard = json.loads(done.stdout)
    names = [one["name"] for one in heard["streams"] if one["name"].startswith(tmp_path.name)]
    assert names == [flow.name for flow in announced]
    assert "PTP" in heard["clock"] or "TAI" in heard["clock"]
    own = [one for one in load_streams(tmp_path / "sdp") if one.name in names]
    assert own == announced


def test_the_list_says_which_sends_a_stream_would_be(announced: list[StreamDescription], tmp_path: Path) -> None:
    done = devices()
    assert done.exception is None, done.output
    assert all(flow.name[:50] in done.output for flow in announced)
    assert "sends 1 to 8 if all" in done.output
    assert max(map(len, done.output.splitlines())) <= 100


def test_a_description_that_is_there_is_not_written_over(announced: list[StreamDescription], tmp_path: Path) -> None:
    (tmp_path / "sdp").mkdir()
    (tmp_path / "sdp" / f"{announced[1].name}.sdp").write_text("mine")
    done = devices("--save", tmp_path / "sdp")
    assert isinstance(done.exception, AlreadyThere)
    assert [path.read_text() for path in (tmp_path / "sdp").iterdir()] == ["mine"]


def test_saving_without_listening_is_refused() -> None:
    done = CliRunner().invoke(night, ["devices", "--card", CARD])
    assert isinstance(done.exception, ArgumentInvalid)
