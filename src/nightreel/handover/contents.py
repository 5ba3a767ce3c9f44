"""``handover.json``: what a package holds, for programs, and what makes two handovers the same one."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from nightreel import __version__
from nightreel.disk import Digests
from nightreel.errors import DiskTrouble
from nightreel.handover.model import MadeFile, MixFigures, Plan
from nightreel.take import Take

CONTENTS_NAME = "handover.json"


def compute_fingerprint(take: Take, plan: Plan) -> str:
    """Equal when the same take would be handed over in the same way: 64 hex digits."""
    facts = take.facts
    text = json.dumps(
        [
            [facts.show, facts.name, facts.started_at.isoformat(), facts.frames, facts.rate_hz, facts.encoding],
            [plan.name, plan.rate_hz, plan.encoding, plan.request.flac, plan.mixed_lines],
            [[f.path, f.kind, f.line, f.part.span.first_frame, f.part.span.frames] for f in plan.files],
        ]
    )
    return hashlib.sha256(text.encode()).hexdigest()


def contents_text(take: Take, made: tuple[MadeFile, ...], mix: MixFigures | None) -> str:
    """``handover.json``: what the package holds, for programs; stands beside the manifests."""
    facts = take.facts
    body = {
        "format": 1,
        "nightreel": __version__,
        "show": facts.show,
        "take": facts.name,
        "started_at": facts.started_at.isoformat(),
        "take_rate_hz": facts.rate_hz,
        "take_frames": facts.frames,
        "mix": None if mix is None else {**asdict(mix), "line_gains_db": dict(mix.line_gains_db)},
        "files": [
            {
                "path": file.planned.path,
                "kind": file.planned.kind,
                "line": file.planned.line,
                "part": file.planned.part.title,
                "first_frame": file.planned.part.span.first_frame,
                "frames_of_take": file.planned.part.span.frames,
                "frames": file.planned.frames,
                "clipped": file.clipped,
                **asdict(file.digests),
            }
            for file in made
        ],
    }
    return json.dumps(_plain(body), ensure_ascii=False, indent=1) + "\n"


def read_contents(folder: Path, plan: Plan) -> tuple[tuple[MadeFile, ...], MixFigures | None]:
    """What a complete package of this plan holds; raises DiskTrouble when it cannot be read."""
    path = folder / CONTENTS_NAME
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        listed = {entry["path"]: entry for entry in body["files"]}
        made = tuple(
            MadeFile(
                planned=file,
                digests=Digests(**{name: listed[file.path][name] for name in ("sha256", "sha512", "size_bytes")}),
                clipped=listed[file.path]["clipped"],
            )
            for file in plan.files
        )
        mix = body["mix"]
        if mix is not None:
            gains = {int(line): gain for line, gain in mix["line_gains_db"].items()}
            levels = {
                k: -math.inf if mix[k] is None else mix[k] for k in ("gain_db", "integrated_lufs", "true_peak_dbtp")
            }
            return made, MixFigures(line_gains_db=gains, **levels)
        return made, None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise DiskTrouble(
            f"the package's own list cannot be read ({error})", where=str(path), now="Make the handover anew (--name)"
        ) from error


def _plain(value: Any) -> Any:
    """JSON knows no infinity: digital silence becomes null."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
