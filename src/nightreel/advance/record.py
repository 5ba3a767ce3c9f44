"""The plan as plain data: for ``--json``, for the file kept with the sheets, and for comparing with an older one."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from nightreel.advance.plan import Plan
from nightreel.advance.verdict import verdict_of
from nightreel.errors import ArgumentInvalid
from nightreel.show.model import Port

FORMAT = 1


def version_of(plan: Plan) -> str:
    """Eight hex digits of a SHA-256 over everything the plan says: equal plans have equal versions."""
    said = plan_dict(plan)
    said.pop("changes")  # relative to the patch of the day, which carrying the plan out changes
    text = json.dumps(said, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def plan_dict(plan: Plan) -> dict[str, Any]:
    """Everything, in JSON's types."""
    show, allocation = plan.show, plan.allocation
    return {
        "format": FORMAT,
        "show": show.name,
        "date": str(show.date or ""),
        "verdict": verdict_of(plan),
        "rate_hz": show.rate_hz,
        "encoding": show.encoding.value,
        "length_s": plan.length_s,
        "length_known": plan.length_known.value,
        "demand": {**asdict(plan.demand), "ports": plan.demand.ports},
        "links": {
            name: {"sends": o.sends, "returns": o.returns, "known": o.known.value, "source": o.source, "bound": o.bound}
            for name, o in plan.offers.items()
        },
        "lines": [
            {
                "number": line.number,
                "name": line.name,
                "role": line.role.value,
                "send": str(allocation.sends.get(line.number, "")),
                "return": str(allocation.returns.get(line.number, "")),
                "known": plan.evidence.path_known(line.number, allocation.sends.get(line.number)),
            }
            for line in show.lines
        ],
        "left_out": list(plan.choice.left_out),
        "spare": plan.spare,
        "gestures": [str(g) for g in plan.gestures],
        "gestures_proven": allocation.proven,
        "changes": {
            "gestures": [str(g) for g in allocation.change_gestures],
            "moved_lines": list(allocation.moved_lines),
        },
        "storage": {
            "bytes": plan.room.file_bytes,
            "bytes_with_margin": plan.room_with_margin.file_bytes,
            "bytes_per_s": plan.room.bytes_per_s,
            "bytes_per_hour": plan.room.bytes_per_s * 3600,
            "header_bytes_per_track": plan.track_format.header_bytes,
        },
        "media": [
            {
                "name": m.name,
                "purpose": m.purpose,
                "fits": m.fits,
                "seconds": m.seconds,
                "copy_s": m.copy.copy_s,
                "verify_s": m.copy.verify_s,
                "limits": [
                    {"name": g.name, "seconds": g.seconds, "segments": g.segments, "source": g.source} for g in m.growth
                ],
                "words": m.words,
            }
            for m in plan.media
        ],
        "networks": [
            {
                "link": n.link,
                "packet_us": n.packet_us,
                "samples": n.samples,
                "link_offset_frames": n.link_offset_frames,
                "least_offset_frames": n.least_offset_frames,
                "flows": [
                    {
                        "way": f.way,
                        "ports": [f.first_port, f.last_port],
                        "address": f.address,
                        "second_address": f.second_address,
                        "bits_per_s": float(f.flow.wire_bits_per_s),
                    }
                    for f in n.flows
                ],
            }
            for n in plan.networks
        ],
        "soundcheck": [
            {"line": c.line, "name": c.name, "does": c.use.value, "because": c.reason} for c in plan.check_lines
        ],
        "options": [
            {
                "name": o.name,
                "rate_hz": o.rate_hz,
                "encoding": o.encoding.value,
                "links": list(o.links),
                "devices": list(o.devices),
                "carried": len(o.carried),
                "left_out": list(o.left_out),
                "spare": o.spare,
                "returns": o.returns,
                "returns_wanted": o.returns_wanted,
                "show_bytes": o.show_bytes,
                "known": o.known.value,
                "failures": list(o.failures),
            }
            for o in plan.options
        ],
        "suggestions": [{"text": s.text, "frees": s.frees} for s in plan.suggestions],
        "figures": [{"name": f.name, "text": f.text, "known": f.known.value, "source": f.source} for f in plan.figures],
        "warnings": list(plan.warnings),
    }


def patch_of(
    record: Mapping[str, Any], *, where: str = "plan.json"
) -> tuple[dict[int, Port | None], dict[int, Port | None]]:
    """Sends and returns by line from a kept plan; raises ArgumentInvalid when it is none of ours."""
    try:
        if record["format"] > FORMAT:
            raise ArgumentInvalid("this plan is from a later Nightreel", where=where, now="Update Nightreel")
        return (
            {int(line["number"]): _port(line["send"]) for line in record["lines"]},
            {int(line["number"]): _port(line["return"]) for line in record["lines"]},
        )
    except (KeyError, TypeError, ValueError) as error:
        raise ArgumentInvalid("this is not a plan of Nightreel's", where=where, now="Choose a plan.json") from error


def _port(text: str) -> Port | None:
    link, _, number = text.rpartition(":")
    return Port(link=link, number=int(number)) if text else None
