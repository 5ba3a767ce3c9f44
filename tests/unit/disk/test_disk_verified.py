"""Copies are proven by reading back. Digest values: FIPS 180-4 examples ('abc', empty)."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightreel.disk import FaultyDisk, RealDisk, copy_verified, digest_file
from nightreel.disk.storage import OpenFile
from nightreel.errors import AlreadyThere, DiskTrouble


def test_digests_equal_the_published_examples(tmp_path: Path) -> None:
    (tmp_path / "abc").write_bytes(b"abc")
    (tmp_path / "empty").write_bytes(b"")
    abc, empty = digest_file(tmp_path / "abc"), digest_file(tmp_path / "empty", past_cache=True)
    assert abc.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert abc.sha512.startswith("ddaf35a193617abacc417349ae204131")
    assert empty.sha256 == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert empty.size_bytes == 0


def test_a_copy_is_equal_and_its_digests_are_returned(tmp_path: Path) -> None:
    source, target = tmp_path / "a", tmp_path / "b"
    source.write_bytes(bytes(range(256)) * 40_000)  # more than one block
    moved: list[int] = []
    assert copy_verified(source, target, moved=moved.append) == digest_file(source)
    assert target.read_bytes() == source.read_bytes()
    assert sum(moved) == 2 * source.stat().st_size
    with pytest.raises(AlreadyThere):
        copy_verified(source, target)


class _LyingDisk(RealDisk):
    """Turns one byte over on its way, as a bad cable or drive does."""

    def create(self, path: Path) -> OpenFile:
        file = super().create(path)
        honest = file.write_at

        def write_at(offset: int, data: bytes) -> None:
            wrong = bytearray(data)
            wrong[1234] ^= 0x10
            honest(offset, wrong)

        file.write_at = write_at  # type: ignore[method-assign,assignment]
        return file


def test_a_wrong_byte_on_the_way_is_found_and_named(tmp_path: Path) -> None:
    source = tmp_path / "a"
    source.write_bytes(b"\xaa" * 5000)
    with pytest.raises(DiskTrouble, match=r"first at byte 1234 \(ba instead of aa\)"):
        copy_verified(source, tmp_path / "b", disk=_LyingDisk())


def test_a_source_that_changed_since_it_was_digested_is_refused(tmp_path: Path) -> None:
    source = tmp_path / "a"
    source.write_bytes(b"then")
    before = digest_file(source)
    source.write_bytes(b"now!")
    with pytest.raises(DiskTrouble, match="not what it was"):
        copy_verified(source, tmp_path / "b", expected=before)


def test_a_copy_that_could_not_be_completed_leaves_nothing(tmp_path: Path) -> None:
    source = tmp_path / "a"
    source.write_bytes(b"x" * 1000)
    for call in (1, 2):
        with pytest.raises(DiskTrouble):
            copy_verified(source, tmp_path / "b", disk=FaultyDisk.failing_at(call, "F"))
        assert not (tmp_path / "b").exists()
