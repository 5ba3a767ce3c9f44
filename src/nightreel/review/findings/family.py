"""What every family of findings is: its kinds, its method in a sentence, the source of its thresholds, its function."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from nightreel.review.material import Material
from nightreel.review.model import Finding


@dataclass(frozen=True, slots=True, kw_only=False)
class Kind:
    """A stable code and what it means in a few words."""

    code: str
    means: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One entry of the registry; ``find`` is None for the account, which the engine asks for itself."""

    name: str
    kinds: tuple[Kind, ...]
    method: str
    source: str
    find: Callable[[Material], Iterable[Finding]] | None
