"""Whatever a show holds, its documents say; whatever people added to them survives; no bytes crash the readers."""

from __future__ import annotations

import datetime
import tempfile
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nightreel.errors import NightreelError
from nightreel.show.files import create_show, load_show, save_show
from nightreel.show.inputs import edit_inputs, read_inputs
from nightreel.show.model import AtSoundcheck, Capacity, Line, Link, LinkKind, Medium, Port, Role, SetSong, Show
from nightreel.units import RATES_HZ, Encoding

QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
TEXTS = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=12).map(str.strip)
NAMES = TEXTS.filter(bool)
LENGTHS = st.one_of(st.none(), st.integers(1, 400_000).map(float), st.floats(0.001, 1e6))


@st.composite
def shows(draw: st.DrawFn) -> Show:
    rate_hz = draw(st.sampled_from(RATES_HZ))
    capacity = {rate_hz: Capacity(sends=64, returns=64), 48_000: Capacity(sends=64, returns=64)}
    links = [
        Link(
            name=name,
            kind=draw(st.sampled_from(LinkKind)),
            capacity=capacity,
            sends_in_use=draw(st.frozensets(st.integers(65, 4096), max_size=5)),
            device=draw(TEXTS),
        )
        for name in draw(st.lists(NAMES, max_size=3, unique=True))
    ]
    numbers = draw(st.lists(st.integers(1, 300), max_size=8, unique=True))
    ports = [Port(link=link.name, number=n) for link in links for n in range(1, 9)]
    sends = draw(st.permutations(ports))
    returns = draw(st.permutations(ports))
    lines = [
        Line(
            number=number,
            name=draw(TEXTS),
            role=draw(st.sampled_from(Role)),
            socket=draw(TEXTS),
            gain_db=draw(st.one_of(st.none(), st.integers(-2000, 8000).map(lambda n: n / 100))),
            phantom=draw(st.booleans()),
            priority=draw(st.integers(1, 9)),
            group=draw(TEXTS),
            notes=draw(TEXTS),
            send=sends[i] if i < len(sends) and draw(st.booleans()) else None,
            return_port=returns[i] if i < len(returns) and draw(st.booleans()) else None,
            at_soundcheck=draw(st.one_of(st.none(), st.sampled_from(AtSoundcheck))),
        )
        for i, number in enumerate(numbers)
    ]
    if len(lines) >= 2 and draw(st.booleans()):
        lines[:2] = replace(lines[0], partner=lines[1].number), replace(lines[1], partner=lines[0].number)
    return Show(
        name=draw(NAMES),
        rate_hz=rate_hz,
        encoding=draw(st.sampled_from(Encoding)),
        date=draw(st.one_of(st.none(), st.dates(datetime.date(1950, 1, 1)))),
        place=draw(TEXTS),
        tour=draw(TEXTS),
        lines=tuple(lines),
        links=tuple(links),
        media=tuple(
            Medium(name=name, path=draw(NAMES), size_bytes=draw(st.one_of(st.none(), st.integers(1, 10**14))))
            for name in draw(st.lists(NAMES, max_size=3, unique=True))
        ),
        set_list=tuple(
            SetSong(title=title, length_s=draw(LENGTHS), notes=draw(TEXTS))
            for title in draw(st.lists(TEXTS, max_size=4))
        ),
        expected_length_s=draw(LENGTHS),
    )


def in_order(show: Show) -> Show:
    return replace(show, lines=tuple(sorted(show.lines, key=lambda line: line.number)))


def start(folder: Path, show: Show) -> None:
    create_show(
        folder,
        name=show.name,
        date=show.date,
        place=show.place,
        tour=show.tour,
        rate_hz=show.rate_hz,
        encoding=show.encoding,
        lines=show.lines,
        links=show.links,
        media=show.media,
        set_list=show.set_list,
        expected_length_s=show.expected_length_s,
    )


@QUICK
@given(shows())
def test_a_show_comes_back_from_its_folder_as_it_went_in(show: Show) -> None:
    with tempfile.TemporaryDirectory() as root:
        folder = Path(root) / "show"
        start(folder, show)
        assert load_show(folder) == show


@QUICK
@given(shows(), shows())
def test_any_show_can_become_any_other_and_what_people_added_survives(first: Show, second: Show) -> None:
    with tempfile.TemporaryDirectory() as root:
        folder = Path(root) / "show"
        start(folder, first)
        path, rows = folder / "show.toml", folder / "inputs.csv"
        path.write_text("# top remark\n" + path.read_text() + '\n[ours] # beside\ndog = "Bilge"\n', newline="")
        header, *rest = rows.read_bytes().decode().split("\r\n")
        remarked = ["# who plugs what", f"cable,{header}", *(f"grey,{row}" if row else "" for row in rest)]
        rows.write_bytes("\r\n".join(remarked).encode())
        save_show(folder, second)
        assert in_order(load_show(folder)) == in_order(second)
        text = path.read_text()
        assert text.startswith("# top remark\n")
        assert '[ours] # beside\ndog = "Bilge"\n' in text
        table = rows.read_bytes().decode()
        assert table.startswith("# who plugs what\r\ncable,")
        stayed = {line.number for line in first.lines} & {line.number for line in second.lines}
        kept = {line.number for line in read_inputs(table.encode(), [k.name for k in second.links]).lines}
        assert stayed <= kept
        assert table.count("\r\ngrey,") >= len(stayed)


@QUICK
@given(st.binary(max_size=300))
def test_no_bytes_crash_the_readers(raw: bytes) -> None:
    read_inputs(raw, ["a"])
    with tempfile.TemporaryDirectory() as root:
        folder = Path(root)
        (folder / "show.toml").write_bytes(b'name = "x"\n' + raw[:100])
        (folder / "inputs.csv").write_bytes(b"number,name\n1,A\n" + raw[100:])
        with suppress(NightreelError):
            load_show(folder)


@QUICK
@given(st.text("number,;\t\"'\n\r#1 7ä", max_size=120))
def test_a_sound_table_written_back_unchanged_is_the_same_text(text: str) -> None:
    inputs = read_inputs(text.encode(), [])
    if not inputs.problems and inputs.header is not None:
        assert edit_inputs(text.encode(), [], inputs.lines) == text
