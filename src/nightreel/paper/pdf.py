"""Typesetting: a page's source in Typst's markup and its data become the bytes of a PDF.

The compiler and its fonts come with the ``typst`` wheel, so a sheet looks the same on every machine. Data travels
beside the source as JSON and never inside it: no name of a line can become markup.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files

from nightreel.errors import FailureError

PAPERS: Mapping[str, str] = {"a4": "a4", "letter": "us-letter"}


def typeset(source: str, data: Mapping[str, object]) -> bytes:
    """The PDF of ``source``, in which ``data`` is readable as the variable ``data``.

    ``source`` may use everything of ``frame.typ`` (page frame, tables, shapes of the look), which stands before it.
    Raises FailureError when the source does not compile (a mistake of ours, not the user's).
    """
    import typst  # 80 MB of compiler: only when paper is wanted

    frame = files("nightreel.paper").joinpath("frame.typ").read_text(encoding="utf-8")
    whole = f"#let data = json(bytes(sys.inputs.data))\n{frame}\n{source}"
    try:
        result = typst.compile(whole.encode(), sys_inputs={"data": json.dumps(data, ensure_ascii=False)})
    except (RuntimeError, ValueError, OSError) as error:
        raise FailureError(
            f"the page could not be typeset: {error}", now="Use the CSV or HTML form of it, and report this"
        ) from error
    return bytes(result)
