"""Our return flows as the desk sees them: their descriptions made from the show where there are none, and announced."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click

from nightreel.cli.through import NetworkWords, network_words
from nightreel.errors import ArgumentInvalid
from nightreel.show.model import LinkKind, Show


@contextlib.contextmanager
def network_returns(through: str, show: Show, show_folder: Path, *, link: str, announce: bool) -> Iterator[None]:
    """While open, the flows of ``aes67:...RETURNS`` are announced, where asked; nothing for other ways through.

    A folder RETURNS that is not there yet is made, with one SDP file a flow from the show's patch and network plan.
    Raises ArgumentInvalid where there is nothing to announce.
    """
    kind, _, text = through.partition(":")
    if kind != "aes67":
        if announce:
            raise ArgumentInvalid("only network flows can be announced", now="Leave --announce out")
        yield
        return
    words = network_words(text)
    if not words.spoken.exists():
        _write_descriptions(words, show, show_folder, link)
    if not announce:
        yield
        return
    from nightreel.ports.aes67.announce import Announcer
    from nightreel.ports.aes67.files import load_streams

    streams = load_streams(words.spoken)
    announcer = Announcer(streams, source=words.cards[0] or _address_towards(streams[0].destinations[0].address))
    announcer.start()
    try:
        yield
    finally:
        announcer.stop()


def _write_descriptions(words: NetworkWords, show: Show, show_folder: Path, link_name: str) -> None:
    from nightreel.advance import describe_returns, wishes_from
    from nightreel.disk import make_folder_new, write_new_text
    from nightreel.ports.aes67.sdp import serialise

    link = next((one for one in show.links if one.name == link_name and one.kind is LinkKind.AES67), None)
    if link is None:
        raise ArgumentInvalid(
            f"there is no {words.spoken}, and link '{link_name}' of the show is no AES67 link to derive it from",
            now="Name the folder with the SDP files of the returns",
        )
    wishes = wishes_from((show_folder / "show.toml").read_text(encoding="utf-8"))
    if words.cards[0]:
        wishes = replace(wishes, network=replace(wishes.network, sender_address=words.cards[0]))
    described = describe_returns(show, link, wishes)
    make_folder_new(words.spoken)
    for name, stream in described.items():
        write_new_text(words.spoken / name, serialise(stream))
    click.echo(f"Described the returns in {words.spoken}: {len(described)} flows. Load them into the desk.", err=True)


def _address_towards(address: str) -> str:
    """This computer's address on the card that leads there; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((address, 9))
        except OSError:
            return "127.0.0.1"
        found: str = probe.getsockname()[0]
        return found
