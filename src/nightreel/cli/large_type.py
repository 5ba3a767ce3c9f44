"""Large type for a terminal at arm's length: five rows of blocks a letter."""

from __future__ import annotations

# Five rows of five bits, the highest bit left.
_LETTERS = """
A 0E 11 1F 11 11|B 1E 11 1E 11 1E|C 0F 10 10 10 0F|D 1E 11 11 11 1E|E 1F 10 1E 10 1F|F 1F 10 1E 10 10
G 0F 10 13 11 0F|H 11 11 1F 11 11|I 0E 04 04 04 0E|J 07 02 02 12 0C|K 11 12 1C 12 11|L 10 10 10 10 1F
M 11 1B 15 11 11|N 11 19 15 13 11|O 0E 11 11 11 0E|P 1E 11 1E 10 10|Q 0E 11 15 12 0D|R 1E 11 1E 12 11
S 0F 10 0E 01 1E|T 1F 04 04 04 04|U 11 11 11 11 0E|V 11 11 11 0A 04|W 11 11 15 1B 11|X 11 0A 04 0A 11
Y 11 0A 04 04 04|Z 1F 02 04 08 1F|0 0E 13 15 19 0E|1 04 0C 04 04 0E|2 1E 01 0E 10 1F|3 1E 01 0E 01 1E
4 12 12 1F 02 02|5 1F 10 1E 01 1E|6 0E 10 1E 11 0E|7 1F 01 02 04 04|8 0E 11 0E 11 0E|9 0E 11 0F 01 0E
"""
_FONT = {
    entry.split()[0]: [int(row, 16) for row in entry.split()[1:]]
    for entry in _LETTERS.replace("\n", "|").split("|")
    if entry.strip()
}
_FONT |= {" ": [0] * 5, "-": [0, 0, 14, 0, 0], ".": [0, 0, 0, 0, 4], "/": [1, 2, 4, 8, 16], "&": [12, 18, 12, 19, 13]}


def large(text: str, width: int = 98) -> str:
    """``text`` in large type, cut to ``width`` columns; letters the font lacks become spaces."""
    shown = text.upper()[: width // 6]
    rows = []
    for row in range(5):
        cells = []
        for letter in shown:
            bits = _FONT.get(letter, _FONT[" "])[row]
            cells.append("".join("█" if bits >> (4 - column) & 1 else " " for column in range(5)))
        rows.append(" ".join(cells).rstrip())
    return "\n".join(rows)
