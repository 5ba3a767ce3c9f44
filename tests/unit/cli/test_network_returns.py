"""The return flows in words, derived from the show, and announced: what is understood and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightreel.advance import describe_returns, make_plan, wishes_from
from nightreel.advance.returns_sdp import sdp_files
from nightreel.cli.network_returns import network_returns
from nightreel.cli.through import network_words
from nightreel.errors import ArgumentInvalid
from nightreel.ports.aes67.files import load_streams
from nightreel.ports.aes67.sdp import serialise
from nightreel.show.files import create_show, load_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Port, Role, Show

LINES = 20


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    create_show(
        tmp_path / "show",
        name="Quay",
        lines=tuple(
            Line(
                number=number,
                name=f"Input {number}",
                role=Role.DIRECT,
                send=Port(link="net", number=number),
                return_port=Port(link="net", number=number),
            )
            for number in range(1, LINES + 1)
        ),
        links=(Link(name="net", kind=LinkKind.AES67, capacity={48_000: Capacity(sends=LINES, returns=LINES)}),),
    )
    return tmp_path / "show"


@pytest.fixture
def show(folder: Path) -> Show:
    return load_show(folder)


@pytest.mark.parametrize(
    ("text", "heard", "spoken", "cards"),
    [
        ("in+out", "in", "out", ("", "")),
        ("in+out@10.0.0.1", "in", "out", ("10.0.0.1",)),
        ("in+out@10.0.0.1,10.1.0.1", "in", "out", ("10.0.0.1", "10.1.0.1")),
        ("out", None, "out", ("", "")),
    ],
)
def test_flows_and_cards_in_words(text: str, heard: str | None, spoken: str, cards: tuple[str, ...]) -> None:
    words = network_words(text)
    assert words.heard == (None if heard is None else Path(heard))
    assert (words.spoken, words.cards) == (Path(spoken), cards)


@pytest.mark.parametrize("text", ["", "in+", "+out", "@10.0.0.1"])
def test_words_that_name_no_returns_are_refused(text: str) -> None:
    with pytest.raises(ArgumentInvalid, match="where the flows"):
        network_words(text)


def test_a_missing_folder_of_returns_is_made_from_the_show_as_the_advance_would(
    folder: Path, show: Show, tmp_path: Path
) -> None:
    returns = tmp_path / "returns"
    with network_returns(f"aes67:in+{returns}@10.0.0.7", show, folder, link="net", announce=False):
        streams = load_streams(returns)
    assert [one.channels for one in streams] == [8, 8, 4]
    assert streams[0].labels[:2] == ("Input 1", "Input 2")
    assert {one.origin for one in streams} == {"10.0.0.7"}
    wishes = wishes_from((folder / "show.toml").read_text())
    planned = sdp_files(make_plan(show, wishes))
    derived = describe_returns(show, show.links[0], wishes)
    assert {name: serialise(stream) for name, stream in derived.items()} == planned


def test_a_folder_of_returns_that_is_there_is_left_alone(folder: Path, show: Show, tmp_path: Path) -> None:
    returns = tmp_path / "returns"
    returns.mkdir()
    with network_returns(f"aes67:in+{returns}", show, folder, link="net", announce=False):
        assert not list(returns.iterdir())


def test_what_cannot_be_announced_or_derived_is_said(folder: Path, show: Show, tmp_path: Path) -> None:
    with (
        pytest.raises(ArgumentInvalid, match="only network flows"),
        network_returns("stage", show, folder, link="net", announce=True),
    ):
        pass
    with (
        pytest.raises(ArgumentInvalid, match="no AES67 link"),
        network_returns(f"aes67:in+{tmp_path / 'new'}", show, folder, link="other", announce=False),
    ):
        pass
    assert not (tmp_path / "new").exists()
