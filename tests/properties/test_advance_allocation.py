"""Allocation on random shows: no clash, send and return alike, partners side by side, the patch that stands stays."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import combinations

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from nightreel.advance.allocate import Allocation, Space, allocate
from nightreel.advance.choose import choose_lines
from nightreel.advance.gestures import gestures_of
from nightreel.show.model import AtSoundcheck, Line, Port, Role

ROLES = [Role.MIC, Role.MIC, Role.MIC, Role.DIRECT, Role.WIRELESS, Role.TALKBACK, Role.CLICK, Role.AMBIENCE]


@st.composite
def input_lists(draw: st.DrawFn, most: int = 16) -> list[Line]:
    lines: list[Line] = []
    number = 1
    wanted = draw(st.integers(1, most))
    while len(lines) < wanted:
        number += draw(st.sampled_from([0, 0, 0, 0, 1]))
        role = draw(st.sampled_from(ROLES))
        priority = draw(st.integers(1, 9))
        if len(lines) > 2 and draw(st.integers(0, 5)) == 0:
            # partners that are not neighbours in the list
            k = draw(st.integers(0, len(lines) - 2))
            if lines[k].partner is None:
                lines[k] = replace(lines[k], partner=number)
                lines.append(replace(lines[k], number=number, partner=lines[k].number))
                number += 1
        elif draw(st.integers(0, 3)) == 0:
            lines.append(Line(number=number, name="L", role=role, partner=number + 1, priority=priority))
            lines.append(Line(number=number + 1, name="R", role=role, partner=number, priority=priority))
            number += 2
        else:
            lines.append(Line(number=number, name="m", role=role, priority=priority))
            number += 1
    return lines


@st.composite
def link_spaces(draw: st.DrawFn) -> list[Space]:
    spaces = []
    for name in "ab"[: draw(st.integers(1, 2))]:
        size = draw(st.integers(2, 30))
        used = draw(st.frozensets(st.integers(1, size), max_size=size // 2))
        more = draw(st.frozensets(st.integers(1, size), max_size=2))
        spaces.append(Space(link=name, sends=size, returns=size, sends_in_use=used, returns_in_use=used | more))
    return spaces


def free(spaces: list[Space]) -> tuple[set[Port], set[Port]]:
    return (
        {Port(link=s.link, number=n) for s in spaces for n in s.free_sends},
        {Port(link=s.link, number=n) for s in spaces for n in s.free_returns},
    )


def patched(lines: list[Line], allocation: Allocation) -> list[Line]:
    return [
        replace(line, send=allocation.sends.get(line.number), return_port=allocation.returns.get(line.number))
        for line in lines
    ]


def fitting(lines: list[Line], spaces: list[Space]) -> list[Line]:
    carried = set(choose_lines(lines, len(free(spaces)[0])).carried)
    return [line for line in lines if line.number in carried]


@settings(max_examples=80, deadline=None)
@given(input_lists(), link_spaces())
def test_no_clash_and_nothing_of_others_is_touched(lines: list[Line], spaces: list[Space]) -> None:
    lines = fitting(lines, spaces)
    assume(lines)
    found = allocate(lines, spaces)
    sends, returns = free(spaces)
    assert set(found.sends) == {line.number for line in lines}
    assert len(set(found.sends.values())) == len(found.sends)
    assert len(set(found.returns.values())) == len(found.returns)
    assert set(found.sends.values()) <= sends
    assert set(found.returns.values()) <= returns


@settings(max_examples=80, deadline=None)
@given(input_lists(), link_spaces())
def test_a_return_has_its_sends_number_as_often_as_ports_allow(lines: list[Line], spaces: list[Space]) -> None:
    lines = fitting(lines, spaces)
    assume(lines)
    found = allocate(lines, spaces)
    sends, returns = free(spaces)
    wanting = [line for line in lines if line.soundcheck_use is AtSoundcheck.RETURNED]
    alike = [n for n, port in found.returns.items() if found.sends[n] == port]
    # Ports free both ways may be needed by lines that want no return when nothing else is left, and pairs go whole;
    # where there are plenty of ports, every wish is met.
    if len(sends & returns) >= len(lines):
        assert len(alike) == len(wanting)
    if len(returns) >= len(wanting) + 1:
        assert len(found.returns) >= len(wanting) - 1
    for line in lines:
        if line.soundcheck_use is not AtSoundcheck.RETURNED:
            assert line.number not in found.returns


@settings(max_examples=80, deadline=None)
@given(input_lists(), link_spaces())
def test_partners_lie_side_by_side_on_odd_and_even(lines: list[Line], spaces: list[Space]) -> None:
    lines = fitting(lines, spaces)
    assume(lines)
    found = allocate(lines, spaces)
    cells = sum(
        1
        for port in free(spaces)[0] & free(spaces)[1]
        if port.number % 2 == 1 and Port(link=port.link, number=port.number + 1) in free(spaces)[0] & free(spaces)[1]
    )
    pairs = [line for line in lines if line.partner is not None and line.number < line.partner]
    singles = len(lines) - 2 * len(pairs)
    both = len(free(spaces)[0] & free(spaces)[1])
    if len(pairs) <= cells and singles <= both - 2 * len(pairs):
        assert found.split_pairs == ()
        for line in pairs:
            assert line.partner is not None
            left, right = found.sends[line.number], found.sends[line.partner]
            assert left.number % 2 == 1
            assert right == Port(link=left.link, number=left.number + 1)


@settings(max_examples=100, deadline=None)
@given(input_lists(), link_spaces(), st.randoms(use_true_random=False), st.integers(0, 12))
def test_whatever_patch_stands_a_plan_is_found(
    lines: list[Line], spaces: list[Space], rng: random.Random, returns_most: int
) -> None:
    """Ports of a former patch at random, returns elsewhere than sends, fewer returns than sends."""
    spaces = [replace(s, returns=min(s.returns, returns_most)) for s in spaces]
    lines = fitting(lines, spaces)
    assume(lines)
    sends, returns = (sorted(ports) for ports in free(spaces))
    rng.shuffle(sends)
    rng.shuffle(returns)
    former = []
    for line in lines:
        send = sends.pop() if sends and rng.random() < 0.6 else None
        back = returns.pop() if returns and rng.random() < 0.5 else None
        former.append(replace(line, send=send, return_port=back))
    found = allocate(former, spaces)
    assert set(found.sends) == {line.number for line in lines}
    assert len(set(found.sends.values())) == len(lines)
    assert len(set(found.returns.values())) == len(found.returns)
    assert set(found.returns.values()) <= free(spaces)[1]


@settings(max_examples=70, deadline=None)
@given(input_lists(), link_spaces())
def test_a_patch_that_is_made_stays_as_it_is(lines: list[Line], spaces: list[Space]) -> None:
    lines = fitting(lines, spaces)
    assume(lines)
    first = allocate(lines, spaces)
    again = allocate(patched(lines, first), spaces)
    assert again.sends == first.sends
    assert again.moved_lines == ()


@settings(max_examples=70, deadline=None)
@given(input_lists(most=14), link_spaces(), st.integers(1, 4), st.booleans())
def test_new_lines_move_nobody_while_there_is_room(
    lines: list[Line], spaces: list[Space], more: int, pair: bool
) -> None:
    lines = fitting(lines, spaces)
    assume(lines)
    sends, returns = free(spaces)
    first = allocate(lines, spaces)
    last = lines[-1].number
    new = [Line(number=last + k, name="new") for k in range(1, more + 1)]
    if pair:
        new[0:1] = [
            Line(number=last + more + 1, name="L", partner=last + more + 2),
            Line(number=last + more + 2, name="R", partner=last + more + 1),
        ]
    left = (sends & returns) - set(first.sends.values())
    cells = [p for p in left if p.number % 2 == 1 and Port(link=p.link, number=p.number + 1) in left]
    assume(len(left) >= len(new) and (not pair or cells))
    found = allocate([*patched(lines, first), *sorted(new, key=lambda x: x.number)], spaces)
    assert found.moved_lines == ()
    assert {n: found.sends[n] for n in first.sends} == first.sends


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_as_few_lines_move_as_any_way_to_make_room(data: st.DataObject) -> None:
    """A new pair into a full house of single lines: held against letting go of every set of lines in turn."""
    size = data.draw(st.integers(4, 8))
    count = data.draw(st.integers(1, size - 2))
    ports = data.draw(st.permutations(range(1, size + 1)))[:count]
    lines = [
        Line(number=k, name="m", send=Port(link="a", number=p), return_port=Port(link="a", number=p))
        for k, p in enumerate(ports, 1)
    ]
    pair = [Line(number=20, name="L", partner=21), Line(number=21, name="R", partner=20)]
    spaces = [Space(link="a", sends=size, returns=size)]

    def fits(kept: set[int]) -> bool:
        open_ports = set(range(1, size + 1)) - kept
        return any(p % 2 == 1 and p + 1 in open_ports for p in open_ports)

    fewest = next(
        moves for moves in range(count + 1) if any(fits(set(ports) - set(gone)) for gone in combinations(ports, moves))
    )
    found = allocate([*lines, *pair], spaces)
    assert found.split_pairs == ()
    assert len(found.moved_lines) <= fewest


@settings(max_examples=80, deadline=None)
@given(st.dictionaries(st.integers(1, 20), st.integers(1, 20), max_size=12))
def test_gestures_repeat_the_patch_exactly(patch: dict[int, int]) -> None:
    ports = {line: Port(link="a", number=number) for line, number in patch.items()}
    gestures = gestures_of("send", ports)
    rebuilt = {g.first_line + k: Port(link=g.link, number=g.first_port + k) for g in gestures for k in range(g.count)}
    assert rebuilt == ports
    breaks = sum(1 for line in ports if line - 1 not in ports or ports[line - 1].number + 1 != ports[line].number)
    assert len(gestures) == breaks


@settings(max_examples=80, deadline=None)
@given(input_lists(most=9), st.integers(0, 10))
def test_the_best_choice_of_lines_is_the_best_of_all_choices(lines: list[Line], ports: int) -> None:
    found = set(choose_lines(lines, ports).carried)
    assert len(found) <= ports

    def worth(numbers: set[int]) -> tuple[int, ...]:
        return tuple(sum(1 for x in lines if x.number in numbers and x.priority == p) for p in range(1, 10))

    best = (0,) * 9
    for size in range(min(ports, len(lines)) + 1):
        for some in combinations(lines, size):
            numbers = {line.number for line in some}
            if all(line.partner is None or line.partner in numbers for line in some):
                best = max(best, worth(numbers))
    assert worth(found) == best
    assert all(line.partner in found for line in lines if line.number in found and line.partner is not None)
