"""Sentences about what arrives: level, polarity, crosstalk, latency, clocks, what was there before. Pure."""

from __future__ import annotations

import statistics

from nightreel.linecheck.heard import Heard, and_
from nightreel.linecheck.model import Kind, Statement, Weight
from nightreel.linecheck.patch import ExpectedPatch
from nightreel.signal.codes import RealArray
from nightreel.signal.path_matrix import PathMatrix

_OFF_LEVEL_DB = 1.0
_SAME_LATENCY_FRAMES = 0.75
_BUSY_DBFS = -45.0  # a channel that listens to a silent return is quieter than this


def about_levels(heard: Heard) -> list[Statement]:
    statements = []
    tested = [(line, path) for line in heard.expected.lines if (path := heard.own(line) or heard.main(line))]
    if abs(heard.usual_db) >= _OFF_LEVEL_DB and len(tested) > 1:
        statements.append(
            Statement(
                kind=Kind.OFF_LEVEL,
                weight=Weight.LOOK,
                text=f"Lines come back {_low(heard.usual_db)}, most of them alike.",
                value=heard.usual_db,
                remedy="Is there a common trim, pad or pick-off behind the fader?",
            )
        )
    for line, path in tested:
        against_db = heard.usual_db if len(tested) > 1 else 0.0
        off_db = path.gain_db - against_db
        if abs(off_db) < _OFF_LEVEL_DB + 4.0 * path.gain_uncertainty_db:
            continue
        than = " than the others" if abs(heard.usual_db) >= _OFF_LEVEL_DB and len(tested) > 1 else ""
        amount = f"{abs(off_db):.0f} dB {'lower' if off_db < 0 else 'higher'}{than}" if than else _low(off_db)
        statements.append(
            Statement(
                kind=Kind.OFF_LEVEL,
                weight=Weight.LOOK,
                text=f"{heard.subject(line, path)} comes back {amount} (send {line.send_number}).",
                lines=(line.number,),
                sends=(line.send_number,),
                returns=(heard.return_of(path),),
                value=off_db,
                remedy="Look for a trim, a pad, or a pick-off behind the fader on this channel.",
            )
        )
    return statements


def about_polarity(heard: Heard) -> list[Statement]:
    tested = [(line, path) for line in heard.expected.lines if (path := heard.own(line) or heard.main(line))]
    reversed_lines = [(line, path) for line, path in tested if path.polarity < 0]
    if len(reversed_lines) > 2 and len(reversed_lines) == len(tested):
        return [
            Statement(
                kind=Kind.POLARITY,
                weight=Weight.LOOK,
                text="Every line comes back with reversed polarity.",
                lines=tuple(line.number for line, _ in tested),
                sends=tuple(line.send_number for line, _ in tested),
                value=-1.0,
                remedy="All alike does no harm among themselves; look for it in the link or the converter.",
            )
        ]
    return [
        Statement(
            kind=Kind.POLARITY,
            weight=Weight.LOOK,
            text=f"{heard.subject(line, path)} comes back with reversed polarity (send {line.send_number}).",
            lines=(line.number,),
            sends=(line.send_number,),
            returns=(heard.return_of(path),),
            value=-1.0,
            remedy="Is the polarity switch of the channel pressed? Is a cable wired the other way round?",
        )
        for line, path in reversed_lines
    ]


def about_crosstalk(heard: Heard) -> list[Statement]:
    return [
        Statement(
            kind=Kind.CROSSTALK,
            weight=Weight.LOOK,
            text=f"Return {heard.return_of(path)} also reaches send {send} at {path.gain_db:.0f} dB.",
            sends=(send,),
            returns=(heard.return_of(path),),
            value=path.gain_db,
            remedy="Look for a bus, an insert or a cable that carries both.",
        )
        for send, paths in heard.traces.items()
        for path in paths
    ]


def about_clock(matrix: PathMatrix) -> list[Statement]:
    if matrix.clocks_locked:
        return []
    ppm = matrix.clock_offset_ppm
    return [
        Statement(
            kind=Kind.CLOCK,
            weight=Weight.WRONG,
            text=f"The clocks are not locked: sends run {abs(ppm):.1f} ppm {'slow' if ppm > 0 else 'fast'} against "
            f"returns ({abs(ppm) * 3.6:.0f} ms an hour).",
            value=ppm,
            remedy="Let one device follow the other's clock before recording or playing anything.",
        )
    ]


def about_what_was_there(expected: ExpectedPatch, before_dbfs: RealArray | None) -> list[Statement]:
    if before_dbfs is None:
        return []
    sends = [line.send_number for line in expected.lines if line.send_number <= before_dbfs.size]
    busy = sorted(send for send in sends if before_dbfs[send - 1] > _BUSY_DBFS)
    if not busy:
        return []
    loudest = max(busy, key=lambda send: float(before_dbfs[send - 1]))
    which = f"Sends {and_(busy[:12])}{' ...' if len(busy) > 12 else ''}" if len(busy) > 1 else f"Send {busy[0]}"
    return [
        Statement(
            kind=Kind.BUSY,
            weight=Weight.LOOK,
            text=f"{which} carried something before the signals began: up to {before_dbfs[loudest - 1]:.0f} dBFS "
            f"on send {loudest}.",
            sends=tuple(busy),
            value=float(before_dbfs[loudest - 1]),
            remedy="Is the channel still on the stage, or is something playing? In a quiet desk more can be seen.",
        )
    ]


def about_latency(heard: Heard) -> list[Statement]:
    found = [(line, path) for line in heard.expected.lines if (path := heard.own(line))]
    if not found:
        return []
    statements = []
    ms = 1000.0 / heard.rate_hz
    early = min(found, key=lambda pair: pair[1].latency_frames)
    late = max(found, key=lambda pair: pair[1].latency_frames)
    spread = late[1].latency_frames - early[1].latency_frames
    if spread <= _SAME_LATENCY_FRAMES:
        frames = round(statistics.median(path.latency_frames for _, path in found))
        text = f"Latency is {frames} frames ({frames * ms:.1f} ms) on every line that arrives."
        statements.append(Statement(kind=Kind.LATENCY, weight=Weight.FACT, text=text, value=float(frames)))
    else:
        text = (
            f"Latencies differ by {round(spread)} frames ({spread * ms:.1f} ms): {early[1].latency_frames * ms:.1f} ms "
            f"on {early[0].title}, {late[1].latency_frames * ms:.1f} ms on {late[0].title}."
        )
        statements.append(
            Statement(
                kind=Kind.LATENCY,
                weight=Weight.LOOK,
                text=text,
                lines=(early[0].number, late[0].number),
                value=spread,
                remedy="Channels that are heard together need one latency: look for inserts, or a detour over a link.",
            )
        )
    by_number = {line.number: path for line, path in found}
    for line, path in found:
        partner = by_number.get(line.partner or 0)
        if partner is None or line.number > (line.partner or 0):
            continue
        apart = abs(path.latency_frames - partner.latency_frames)
        if apart > _SAME_LATENCY_FRAMES:
            statements.append(
                Statement(
                    kind=Kind.LATENCY,
                    weight=Weight.LOOK,
                    text=f"Stereo partners {line.number} and {line.partner} arrive {round(apart)} frames apart "
                    f"({apart * ms:.2f} ms).",
                    lines=(line.number, line.partner or 0),
                    value=apart,
                    remedy="Give both sides the same inserts and the same way.",
                )
            )
    return statements


def _low(off_db: float) -> str:
    return f"{abs(off_db):.0f} dB {'low' if off_db < 0 else 'high'}"


def about_doubts(matrix: PathMatrix) -> list[Statement]:
    return [
        Statement(
            kind=Kind.UNCLEAR,
            weight=Weight.LOOK,
            text=f"Send {send + 1} carries more than the signals can tell apart; what is said about it may not be all.",
            sends=(int(send) + 1,),
            remedy="Check again; if it stays, look for a reverberation or an echo on this channel.",
        )
        for send in matrix.doubtful.nonzero()[0]
    ]


def about_losses(matrix: PathMatrix, lost_frames: int) -> list[Statement]:
    if not lost_frames:
        return []
    ms = lost_frames * 1000.0 / matrix.rate_hz
    return [
        Statement(
            kind=Kind.LOSS,
            weight=Weight.FACT,
            text=f"{lost_frames} frames ({ms:.0f} ms) were lost during the check: crosstalk more than 18 dB below "
            "a send's own return would not have been seen.",
            value=float(lost_frames),
        )
    ]
