"""One page frame for every report, sheet and receipt: a single file that needs nothing from outside.

No script runs and no request leaves the page unless the caller brings a script of its own; the page's own content
policy says so to the browser. On screen it follows the reader's light or dark setting, on paper it is black on white.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from importlib.resources import files

from nightreel.paper import look


def page(
    title: str,
    body: str,
    *,
    subtitle: str = "",
    footer: str = "",
    theme: str = "auto",
    language: str = "en",
    style: str = "",
    script: str = "",
) -> str:
    """A complete HTML document.

    Parameters
    ----------
    title, subtitle, footer : plain text, escaped here
    body : HTML of the caller's, already escaped where it holds data (:func:`text`, :func:`table`)
    theme : 'auto' (the reader's setting), 'dim' or 'bright'
    style, script : CSS and JavaScript of the caller's own, put inline; neither may load anything from outside
    """
    tokens = {name: look.css_tokens(look.THEMES[name]) for name in ("dim", "bright", "print")}
    if theme == "auto":
        colours = (
            f":root{{{tokens['bright']}color-scheme:light dark}}"
            f"@media (prefers-color-scheme:dark){{:root{{{tokens['dim']}}}}}"
        )
    else:
        colours = f":root{{{tokens[theme]}color-scheme:{'dark' if theme == 'dim' else 'light'}}}"
    colours += f":root{{--faces:{look.FONTS}}}@media print{{:root{{{tokens['print']}}}}}"
    frame = files("nightreel.paper").joinpath("page.css").read_text(encoding="utf-8")
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    if script:
        policy += "; script-src 'unsafe-inline'"
    return "".join(
        (
            f'<!doctype html>\n<html lang="{text(language)}">\n<head>\n<meta charset="utf-8">\n',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n',
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
            f"<title>{text(title)}</title>\n<style>{colours}{frame}{style}</style>\n</head>\n<body>\n",
            f"<header><h1>{text(title)}</h1>",
            f'<p class="quiet">{text(subtitle)}</p>' if subtitle else "",
            f"</header>\n<main>\n{body}\n</main>\n",
            f"<footer>{text(footer)}</footer>\n" if footer else "",
            f"<script>{script}</script>\n" if script else "",
            "</body>\n</html>\n",
        )
    )


def text(value: object) -> str:
    """Any value as text that is safe inside HTML and inside a quoted attribute."""
    return escape(str(value), quote=True)


def table(
    headers: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    numeric: Sequence[int] = (),
    caption: str = "",
    raw: Sequence[int] = (),
    strong: Sequence[int] = (),
) -> str:
    """A table that scrolls sideways when it must.

    ``numeric`` columns stand right-aligned, ``strong`` ones in bold; ``raw`` ones are HTML already.
    """

    def cell(tag: str, column: int, content: str) -> str:
        scope = ' scope="col"' if tag == "th" else ""
        names = " ".join(name for name, those in (("n", numeric), ("s", strong)) if column in those)
        classes = f' class="{names}"' if names and (tag == "td" or column in numeric) else ""
        return f"<{tag}{scope}{classes}>{content}</{tag}>"

    head = "".join(cell("th", k, text(name)) for k, name in enumerate(headers))
    lines = (
        "<tr>" + "".join(cell("td", k, str(v) if k in raw else text(v)) for k, v in enumerate(row)) + "</tr>"
        for row in rows
    )
    legend = f"<caption>{text(caption)}</caption>" if caption else ""
    inner = f"{legend}<thead><tr>{head}</tr></thead><tbody>{''.join(lines)}</tbody>"
    return f'<div class="scroll"><table>{inner}</table></div>'


def facts(pairs: Mapping[str, object]) -> str:
    """Name and value, one pair a row."""
    return '<dl class="facts">' + "".join(f"<dt>{text(k)}</dt><dd>{text(v)}</dd>" for k, v in pairs.items()) + "</dl>"


def verdict(words: str, *, state: str) -> str:
    """The one sentence that matters most; ``state`` is 'good', 'warn' or 'bad' (a word of the sentence says so too)."""
    return f'<p class="verdict {state}" role="status">{text(words)}</p>'


def caution(words: str) -> str:
    """A warning where it belongs; begins with the word, so that it does not hang on the frame's colour."""
    return f'<p class="caution"><strong>Caution.</strong> {text(words)}</p>'
