"""Many files side by side: order kept, every one tried, trouble raised after all."""

from __future__ import annotations

from functools import partial

import pytest

from nightreel.errors import DiskTrouble
from nightreel.wave import together


def test_results_come_in_the_order_of_the_tasks() -> None:
    assert together(partial(lambda n: n * n, n) for n in range(40)) == [n * n for n in range(40)]
    assert together([]) == []


def test_every_task_is_tried_before_the_first_trouble_is_raised() -> None:
    done: list[int] = []

    def work(number: int) -> None:
        if number in (3, 5):
            raise DiskTrouble(f"number {number}")
        done.append(number)

    with pytest.raises(DiskTrouble, match="number 3"):
        together(partial(work, n) for n in range(20))
    assert sorted(done) == [n for n in range(20) if n not in (3, 5)]


def test_a_fault_of_ours_is_not_hidden_behind_trouble_with_a_disk() -> None:
    def trouble() -> None:
        raise DiskTrouble("full")

    def fault() -> None:
        raise KeyError("ours")

    with pytest.raises(KeyError):
        together([trouble, fault])
