"""The package: BagIt 1.0 (RFC 8493) by the independent validator, every fault found and named, nothing overwritten."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import bagit
import pytest
from tests.unit.handover.small_take import make_show

from nightreel.disk import Digests, FaultyDisk, digest_file
from nightreel.disk.storage import OpenFile
from nightreel.errors import AlreadyThere, ArgumentInvalid, DiskTrouble, PlanImpossible
from nightreel.handover import Cut, Request, check_bag, run_handover
from nightreel.handover.bag import escape, tag_files, unescape
from nightreel.handover.command import parse_lines


def files_of(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path, Path]:
    show = make_show(tmp_path / "show")
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    return show, tmp_path / "one", tmp_path / "two"


def test_the_independent_validator_accepts_every_copy(places: tuple[Path, Path, Path]) -> None:
    show, one, two = places
    done = run_handover(show, "last", Request(destinations=(one, two), cut=Cut.SONGS, mix=True))
    assert done.outcome is not None
    bags = [one / done.plan.name, two / done.plan.name]
    for folder in bags:
        bag = bagit.Bag(str(folder))
        assert bag.is_valid()
        assert bag.version_info == (1, 0)
        assert set(bag.algorithms) == {"sha256", "sha512"}
        assert bag.info["Payload-Oxum"] == f"{done.outcome.deliveries[0].size_bytes}.{len(done.plan.files)}"
        assert check_bag(folder).problems == ()
    assert files_of(bags[0]) == files_of(bags[1])
    assert not list(one.glob("*.part"))


@pytest.mark.parametrize("algorithm", ["sha256", "sha512"])
def test_the_system_s_own_tool_can_check_it_too(places: tuple[Path, Path, Path], algorithm: str) -> None:
    """GNU coreutils read a BagIt manifest as their own list."""
    show, one, _ = places
    done = run_handover(show, "last", Request(destinations=(one,), cut=Cut.SONGS))
    command = [f"{algorithm}sum", "--check", "--strict", f"manifest-{algorithm}.txt"]
    run = subprocess.run(command, cwd=one / done.plan.name, capture_output=True, text=True, check=True)
    assert len(run.stdout.splitlines()) == len(done.plan.files)


def test_a_wrong_byte_a_missing_file_and_a_stray_one_are_found_and_named(places: tuple[Path, Path, Path]) -> None:
    show, one, _ = places
    done = run_handover(show, "last", Request(destinations=(one,)))
    bag = one / done.plan.name
    path = bag / "data" / "02 Gitarre Süd.wav"
    data = bytearray(path.read_bytes())
    data[5000] ^= 1
    path.write_bytes(data)
    (bag / "data" / "marks.csv").unlink()
    (bag / "data" / "stray").write_bytes(b"")
    (bag / "bag-info.txt").write_text("changed")
    problems = check_bag(bag).problems
    assert len(problems) == 4
    assert "data/02 Gitarre Süd.wav: its bytes are not those that were written" in problems
    assert any(p.startswith("data/marks.csv: no such file") for p in problems)
    assert "data/stray: in the package, but in no manifest" in problems
    assert any(p.startswith("bag-info.txt: its bytes") for p in problems)


def test_a_pipe_in_the_place_of_a_file_is_named_instead_of_waited_for(places: tuple[Path, Path, Path]) -> None:
    show, one, _ = places
    done = run_handover(show, "last", Request(destinations=(one,), lines=parse_lines("1")))
    path = one / done.plan.name / "data" / "marks.csv"
    path.unlink()
    os.mkfifo(path)
    assert check_bag(one / done.plan.name).problems == ("data/marks.csv: this is not a file",)


def test_manifests_that_lead_out_of_the_package_are_not_followed(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    for algorithm in ("sha256", "sha512"):
        (tmp_path / f"manifest-{algorithm}.txt").write_text("00  ../../etc/passwd\n00  /etc/passwd\n\n00\n")
        (tmp_path / f"tagmanifest-{algorithm}.txt").write_bytes(b"\xff\xfe")
    check = check_bag(tmp_path)
    assert check.files == 0
    assert sum("names nothing inside" in p for p in check.problems) == 6
    assert sum("cannot be read" in p for p in check.problems) == 2


def test_paths_are_escaped_as_the_rfc_says() -> None:
    assert escape("a%b\nc\rd") == "a%25b%0Ac%0Dd"
    assert unescape(escape("100%0A%\n")) == "100%0A%\n"
    files = tag_files({"a%.wav": Digests(sha256="0" * 64, sha512="1" * 128, size_bytes=5)}, {"X": "a\nb", "Y": ""})
    assert files["manifest-sha256.txt"] == "0" * 64 + "  data/a%25.wav\n"
    assert files["bag-info.txt"] == "X: a b\nPayload-Oxum: 5.1\n"
    assert files["bagit.txt"] == "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def test_the_same_handover_is_not_made_twice_and_another_of_its_name_is_refused(
    places: tuple[Path, Path, Path],
) -> None:
    show, one, two = places
    run_handover(show, "last", Request(destinations=(one,), name="x"))
    before = files_of(one)
    with pytest.raises(AlreadyThere, match="stands there already, complete"):
        run_handover(show, "last", Request(destinations=(one,), name="x"))
    with pytest.raises(AlreadyThere, match="exists already"):
        run_handover(show, "last", Request(destinations=(one,), name="x", lines=parse_lines("1")))
    assert files_of(one) == before
    run_handover(show, "last", Request(destinations=(one, two), name="x"))
    assert files_of(one / "x") == files_of(two / "x")
    assert len(list(one.glob("x-receipt*.html"))) == 2


class _OneBadPlace(FaultyDisk):
    """Fails whatever is made below one folder."""

    def __init__(self, bad: Path) -> None:
        super().__init__()
        self.bad = bad

    def create(self, path: Path) -> OpenFile:
        if self.bad in path.parents and path.name == "09 Click-Count.wav":
            raise DiskTrouble("the disk is gone", where=str(path))
        return super().create(path)


def test_a_bad_destination_keeps_no_other_from_being_completed(places: tuple[Path, Path, Path]) -> None:
    show, one, two = places
    three = one.parent / "three"
    three.mkdir()
    request = Request(destinations=(one, two, three), name="x")
    with pytest.raises(DiskTrouble, match="gone") as caught:
        run_handover(show, "last", request, disk=_OneBadPlace(two))
    assert f"Complete at {one / 'x'}, {three / 'x'}; the same command goes on" in caught.value.now
    assert bagit.Bag(str(one / "x")).is_valid()
    assert bagit.Bag(str(three / "x")).is_valid()
    assert not (two / "x").exists()
    done = run_handover(show, "last", request)
    assert done.outcome is not None
    assert done.outcome.resumed_files == 4
    assert files_of(two / "x") == files_of(one / "x")


def test_a_package_that_rotted_since_is_not_copied_on(places: tuple[Path, Path, Path]) -> None:
    show, one, two = places
    run_handover(show, "last", Request(destinations=(one,), name="x"))
    path = one / "x" / "data" / "01 Kick In.wav"
    data = bytearray(path.read_bytes())
    data[7000] ^= 1
    path.write_bytes(data)
    with pytest.raises(DiskTrouble, match=r"was complete once and is not any more: data/01 Kick In\.wav"):
        run_handover(show, "last", Request(destinations=(one, two), name="x"))
    assert files_of(two) == {}


def test_a_foreign_folder_is_never_touched(places: tuple[Path, Path, Path]) -> None:
    show, one, _ = places
    for name in ("x", "y.part"):
        (one / name).mkdir()
        (one / name / "mine").write_text("mine")
    for name in ("x", "y"):
        with pytest.raises(AlreadyThere):
            run_handover(show, "last", Request(destinations=(one,), name=name))
    assert files_of(one) == {"x/mine": b"mine", "y.part/mine": b"mine"}


def test_places_that_cannot_work_are_refused_before_anything_is_written(
    places: tuple[Path, Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    show, one, two = places
    take = show / "takes" / "2026-11-28-evening-1"
    for destinations, error, words in (
        ((), ArgumentInvalid, "no destination"),
        ((one, one / ".." / "one"), ArgumentInvalid, "twice"),
        ((one / "none",), DiskTrouble, "no such folder"),
        ((take / "tracks",), ArgumentInvalid, "inside the take"),
    ):
        with pytest.raises(error, match=words):
            run_handover(show, "last", Request(destinations=destinations))
    monkeypatch.setattr("nightreel.handover.carry.free_bytes", lambda path, disk: 1_000_000)
    with pytest.raises(PlanImpossible, match="1 MB are free"):
        run_handover(show, "last", Request(destinations=(one, two)))
    monkeypatch.setattr("nightreel.handover.carry.largest_file_bytes", lambda path: 100_000)
    with pytest.raises(PlanImpossible, match="takes files up to 100 kB"):
        run_handover(show, "last", Request(destinations=(one,)))
    assert files_of(one) == files_of(two) == {}
    assert not (show / "handovers").exists()


class _RotDisk(FaultyDisk):
    """Turns one bit over in the second track after it was written and digested, as a failing drive may."""

    rotten = True

    def sync_folder(self, path: Path) -> None:
        super().sync_folder(path)
        victim = path / "data" / "02 Gitarre Süd.wav"
        if self.rotten and victim.exists() and (path / "bagit.txt").exists():
            self.rotten = False
            data = bytearray(victim.read_bytes())
            data[9999] ^= 0x40
            victim.write_bytes(data)


def test_a_byte_that_rots_on_the_destination_is_found_named_and_mended_by_the_next_run(
    places: tuple[Path, Path, Path],
) -> None:
    show, one, _ = places
    request = Request(destinations=(one,), name="x")
    with pytest.raises(DiskTrouble, match=r"data/02 Gitarre Süd\.wav: its bytes are not those"):
        run_handover(show, "last", request, disk=_RotDisk())
    assert not (one / "x").exists()
    done = run_handover(show, "last", request)
    assert done.outcome is not None
    assert done.outcome.resumed_files == len(done.plan.files) - 1
    assert bagit.Bag(str(one / "x")).is_valid()


def test_receipts_tell_the_digests_and_stand_beside_the_package_and_in_the_show(
    places: tuple[Path, Path, Path],
) -> None:
    show, one, _ = places
    done = run_handover(show, "last", Request(destinations=(one,), cut=Cut.SONGS, name="x"))
    assert [p.parent for p in done.receipts] == [one] * 3 + [show / "handovers"] * 3
    receipt = json.loads((one / "x-receipt.json").read_text())
    for entry in receipt["files"]:
        digests = digest_file(one / "x" / "data" / entry["path"])
        assert (entry["sha256"], entry["sha512"], entry["size_bytes"]) == (
            digests.sha256,
            digests.sha512,
            digests.size_bytes,
        )
    assert receipt["gaps"] == [{"first_frame": 50_000, "frames": 480, "cause": "network loss"}]
    page = (one / "x-receipt.html").read_text()
    assert "every byte read back and right" in page
    assert "Salt: and &lt;Light&gt;?" in page
    assert "<Light>" not in page
    assert "http" not in page.replace("http-equiv", "")
    text = (one / "x-receipt.txt").read_text()
    assert max(map(len, text.replace(str(one), "").splitlines())) <= 100
