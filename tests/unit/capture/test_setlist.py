"""The set list advances with the marks, so that a mark can name its song."""

from __future__ import annotations

from nightreel.capture.setlist import SetListPlace
from nightreel.show.model import SetSong


def place(begun: int = 0) -> SetListPlace:
    return SetListPlace([SetSong(title=t) for t in ("Tin Boats", "Low Water", "Cordage", "Tin Boats")], begun=begun)


def test_a_mark_without_a_name_begins_the_next_song_until_the_list_ends() -> None:
    songs = place()
    got = [songs.name_mark("", count=n) for n in range(5)]
    assert got == [("Tin Boats", 1), ("Low Water", 2), ("Cordage", 3), ("Tin Boats", 4), ("Mark 5", None)]


def test_a_title_moves_the_list_there_and_a_reprise_is_the_later_one() -> None:
    songs = place()
    assert songs.name_mark("low water", count=0) == ("Low Water", 2)
    assert songs.name_mark("TIN BOATS", count=1) == ("Tin Boats", 4)
    assert songs.next_title == ""
    assert songs.name_mark("Cordage", count=2) == ("Cordage", 3)
    assert songs.next_title == "Tin Boats"


def test_another_name_is_a_mark_without_a_song_and_leaves_the_list_where_it_is() -> None:
    songs = place(begun=1)
    assert songs.name_mark("  Talking ", count=0) == ("Talking", None)
    assert songs.next_title == "Low Water"


def test_the_list_can_be_moved_by_hand_within_its_ends() -> None:
    songs = place()
    for wanted, title in ((3, "Cordage"), (99, ""), (-4, "Tin Boats")):
        songs.move_to(wanted)
        assert songs.next_title == title
