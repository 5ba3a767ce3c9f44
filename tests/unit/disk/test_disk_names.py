"""Names that every file system takes. Rules: Microsoft, "Naming files, paths and namespaces"; POSIX NAME_MAX."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.disk.names import MOST_NAME_BYTES, clash_key, safe_name


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("01 Kick In.wav", "01 Kick In.wav"),
        ("Gitarre Süd – Ω.wav", "Gitarre Süd – Ω.wav"),
        ('a<b>c:d"e/f\\g|h?i*j', "a(b)c-d'e-f-g-hixj"),
        ("Keys L/R", "Keys L-R"),
        ("  two   spaces\tand tab ", "two spacesand tab"),
        ("ends in dots...", "ends in dots"),
        ("CON", "CON_"),
        ("nul.wav", "nul_.wav"),
        ("com1 .txt", "com1 _.txt"),
        ("console.wav", "console.wav"),
        ("", "unnamed"),
        ("..", "unnamed"),
        ("???", "unnamed"),
        ("e\u0301", "\u00e9"),
        ("left\u202egpj.exe", "leftgpj.exe"),
    ],
)
def test_known_names(text: str, expected: str) -> None:
    assert safe_name(text) == expected


def test_a_long_name_is_cut_before_its_extension_and_between_characters() -> None:
    name = safe_name("ü" * 300 + ".wav")
    assert name.endswith("ü.wav")
    assert len(name.encode()) <= MOST_NAME_BYTES


@settings(max_examples=300)
@given(st.text(max_size=400))
def test_any_text_becomes_a_safe_name_and_stays_one(text: str) -> None:
    name = safe_name(text)
    assert 0 < len(name.encode()) <= MOST_NAME_BYTES
    assert not set(name) & set('<>:"/\\|?*')
    assert all(unicodedata.category(ch) not in {"Cc", "Cs"} for ch in name)
    assert name not in {".", ".."}
    assert name == name.rstrip(". ")
    assert safe_name(name) == name


def test_clash_key_is_equal_for_names_a_case_blind_system_takes_for_one() -> None:
    assert clash_key("Kick.WAV") == clash_key("kick.wav")
    assert clash_key("e\u0301") == clash_key("\u00c9")
    assert clash_key("a") != clash_key("b")
