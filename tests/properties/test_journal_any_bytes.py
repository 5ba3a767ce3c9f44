"""No byte string makes the journal's reader fail, and damage never invents a record."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.take.account import compute_account
from nightreel.take.journal import Record, RecordKind, parse_journal, serialise_record

records = st.builds(
    Record,
    kind=st.sampled_from(RecordKind),
    frame=st.integers(0, 1 << 50),
    at=st.text(max_size=30),
    seq=st.integers(0, 1 << 30),
    data=st.dictionaries(
        st.text(max_size=8).filter(lambda k: k not in {"kind", "seq", "frame", "at", "crc"}),
        st.one_of(st.none(), st.integers(), st.text(max_size=20), st.lists(st.integers(), max_size=3)),
        max_size=4,
    ),
)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_are_read_without_failing(raw: bytes) -> None:
    journal = parse_journal(raw)
    compute_account(journal)
    assert len(journal.records) + len(journal.bad_lines) <= raw.count(b"\n") + 1


@settings(max_examples=100, deadline=None)
@given(st.lists(records, max_size=6), st.data())
def test_cut_anywhere_the_whole_lines_before_the_cut_are_there(items: list[Record], data: st.DataObject) -> None:
    lines = [serialise_record(r) for r in items]
    raw = b"".join(lines)
    cut = data.draw(st.integers(0, len(raw)))
    whole = raw[:cut].count(b"\n")
    found = parse_journal(raw[:cut]).records
    assert len(found) in (whole, whole + 1)  # one more where the cut took the newline alone
    assert [serialise_record(r) for r in found] == lines[: len(found)]


@settings(max_examples=100, deadline=None)
@given(st.lists(records, min_size=1, max_size=4), st.data())
def test_one_changed_bit_never_passes_as_another_record(items: list[Record], data: st.DataObject) -> None:
    raw = bytearray(b"".join(serialise_record(r) for r in items))
    place = data.draw(st.integers(0, len(raw) - 1))
    raw[place] ^= 1 << data.draw(st.integers(0, 7))
    sent = {serialise_record(r) for r in items}
    assert all(serialise_record(r) in sent for r in parse_journal(bytes(raw)).records)


@settings(max_examples=100, deadline=None)
@given(st.lists(records, max_size=8))
def test_the_account_of_any_records_is_made_without_failing(items: list[Record]) -> None:
    account = compute_account(parse_journal(b"".join(serialise_record(r) for r in items)))
    assert account.checkpoint_frame >= 0
