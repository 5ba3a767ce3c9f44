"""What a link offers: the entry is the fact, published figures fill in, and nothing is invented."""

from __future__ import annotations

import pytest

from nightreel.advance.capacity import Transport, find_contradictions, offer_of
from nightreel.advance.evidence import DriveEvidence, Evidence, LineProof
from nightreel.advance.known import Known
from nightreel.show.model import Capacity, Link, LinkKind, Medium, Port


def link(kind: LinkKind, **capacity: int) -> Link:
    """``r48000=32`` enters 32 both ways at 48 kHz."""
    return Link(name="x", kind=kind, capacity={int(k[1:]): Capacity(sends=n, returns=n) for k, n in capacity.items()})


@pytest.mark.parametrize(
    ("given", "rate_hz", "sends", "known"),
    [
        (link(LinkKind.USB, r48000=32), 48_000, 32, Known.ENTERED),
        (link(LinkKind.USB, r48000=32), 44_100, 32, Known.ASSUMED),  # a lower rate carries no less
        (link(LinkKind.USB, r48000=32), 96_000, None, None),  # only the device knows
        (link(LinkKind.USB), 48_000, 18, Known.ASSUMED),  # common practice, no published source
        (link(LinkKind.MADI), 96_000, 32, Known.ASSUMED),  # AES10
        (link(LinkKind.MADI, r48000=16), 96_000, 16, Known.ASSUMED),  # never more than at the lower rate
        (link(LinkKind.VIRTUAL_CARD), 48_000, 64, Known.ASSUMED),
        (link(LinkKind.VIRTUAL_CARD), 96_000, 32, Known.ASSUMED),
        (link(LinkKind.AES3), 96_000, 2, Known.ASSUMED),
        (link(LinkKind.AES67), 88_200, None, None),  # AES67 names no 88.2 kHz
        (link(LinkKind.ANALOGUE, r48000=8), 96_000, 8, Known.ASSUMED),
        (link(LinkKind.OTHER), 48_000, None, None),
    ],
)
def test_offers(given: Link, rate_hz: int, sends: int | None, known: Known | None) -> None:
    offer = offer_of(given, rate_hz, Transport())
    if sends is None:
        assert offer is None
    else:
        assert offer is not None
        assert (offer.sends, offer.known) == (sends, known)
        assert offer.source


def test_varispeed_is_a_choice_that_costs_channels() -> None:
    offer = offer_of(link(LinkKind.MADI), 48_000, Transport(varispeed=True))
    assert offer is not None
    assert offer.sends == 56
    assert find_contradictions([link(LinkKind.MADI, r48000=64)], Transport()) == ()
    assert len(find_contradictions([link(LinkKind.MADI, r48000=64)], Transport(varispeed=True))) == 1


def test_every_contradiction_is_found_not_just_the_first() -> None:
    bad = Link(
        name="m",
        kind=LinkKind.MADI,
        capacity={48_000: Capacity(sends=65, returns=64), 96_000: Capacity(sends=-1, returns=40)},
        sends_in_use=frozenset({99}),
        returns_in_use=frozenset({0}),
    )
    assert len(find_contradictions([bad], Transport())) == 4


def test_a_device_that_can_be_asked_has_the_last_word() -> None:
    evidence = Evidence(devices={"x": Capacity(sends=24, returns=20)})
    offer = evidence.offer("x", offer_of(link(LinkKind.USB, r48000=32), 48_000, Transport()))
    assert offer is not None
    assert (offer.sends, offer.returns, offer.known) == (24, 20, Known.MEASURED)
    assert evidence.offer("y", None) is None


def test_a_measured_drive_replaces_what_was_entered() -> None:
    evidence = Evidence(drives={"A": DriveEvidence(write_bytes_per_s=5e7, free_bytes=10**9)})
    medium = evidence.medium(Medium(name="A", path="a", size_bytes=10**12, write_bytes_per_s=4e8))
    assert (medium.size_bytes, medium.write_bytes_per_s) == (10**9, 5e7)
    assert evidence.medium(Medium(name="B", path="b")).size_bytes is None


def test_a_proof_holds_for_the_send_it_was_made_on() -> None:
    evidence = Evidence(
        proofs={1: LineProof(number=65, date="2026-11-27"), 2: LineProof(number=None, date="2026-11-27")}
    )
    assert evidence.path_known(1, Port(link="net", number=65)) == "proven 11-27"
    assert evidence.path_known(1, Port(link="net", number=66)) == "assumed"
    assert evidence.path_known(2, Port(link="net", number=66)) == "socket proven"
    assert evidence.path_known(3, Port(link="net", number=66)) == "assumed"
