"""Forms of a digest: plain text, Markdown, and HTML for mail."""

import html
import re
import textwrap
from collections.abc import Callable

from arcdrift.digest.digest_words import DigestWords, Item

WIDTH = 78
"""Characters in a line of plain text."""
_PERCENT = re.compile(r"(?<=\d) %")
_MARKUP = re.compile(r"([\\`*_\[\]<>|~#&!])")


def plain_text(words: DigestWords, width: int = WIDTH) -> str:
    """Return a digest as plain text with lines of at most `width` characters."""
    blocks = [_wrapped(words.title, width)] if words.title else []
    for section in words.sections:
        lines = [_wrapped(section.heading, width)]
        for item in section.items:
            lines.append(_wrapped(item.text, width, "- ", "  "))
            lines += [_wrapped(detail, width, "  ", "  ") for detail in item.details]
        blocks.append("\n".join(lines))
    if words.sentences:
        blocks.append("\n".join(_wrapped(sentence, width) for sentence in words.sentences))
    return "\n\n".join(blocks) + "\n"


def paragraph(text: str, width: int = WIDTH) -> str:
    """Return a sentence as lines of at most `width` characters."""
    return _wrapped(text, width)


def _wrapped(text: str, width: int, first: str = "", later: str = "") -> str:
    return textwrap.fill(
        text,
        width,
        initial_indent=first,
        subsequent_indent=later,
        break_on_hyphens=False,
    )


def markdown(words: DigestWords) -> str:
    """Return a digest as Markdown; what could be read as markup is escaped."""
    blocks = [f"# {_escaped(words.title)}"] if words.title else []
    for section in words.sections:
        items = "\n".join(_markdown_item(item) for item in section.items)
        blocks.append(f"## {_escaped(section.heading)}\n\n{items}")
    blocks += [_escaped(sentence) for sentence in words.sentences]
    return "\n\n".join(blocks) + "\n"


def _markdown_item(item: Item) -> str:
    lines = [f"- **{_escaped(item.text)}**" if item.details else f"- {_escaped(item.text)}"]
    lines += [f"  {_escaped(detail)}" for detail in item.details]
    return "  \n".join(lines)


def _escaped(text: str) -> str:
    return _MARKUP.sub(r"\\\1", text)


def simple_html(words: DigestWords, footer: str = "") -> str:
    """Return a digest as HTML without images, scripts or links, for mail."""
    body = [f"<h1>{_html(words.title)}</h1>"] if words.title else []
    for section in words.sections:
        items = "".join(_item_html(item, _html) for item in section.items)
        body.append(f"<h2>{_html(section.heading)}</h2><ul>{items}</ul>")
    body += [f"<p>{_html(sentence)}</p>" for sentence in words.sentences]
    if footer:
        body.append(f'<p class="foot">{_html(footer)}</p>')
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{_html(words.title)}</title><style>{_STYLE}</style></head>\n<body>"
        + "\n".join(body)
        + "</body></html>\n"
    )


_STYLE = (
    "body{font:16px/1.45 sans-serif;max-width:40em;margin:1em auto;padding:0 1em}"
    "h1{font-size:1.15em}h2{font-size:1em;margin:1.2em 0 .3em}ul{margin:0;padding-left:1.2em}"
    "li{margin:.3em 0}.more{display:block;color:#444}.foot{color:#555;font-size:.85em}"
)


def _html(text: str) -> str:
    """Text for HTML, in which no line begins with a percent sign."""
    return _PERCENT.sub("&nbsp;%", html.escape(text, quote=True))


def _item_html(item: Item, escaped: Callable[[str], str]) -> str:
    details = "".join(f'<span class="more">{escaped(detail)}</span>' for detail in item.details)
    return f"<li>{escaped(item.text)}{details}</li>"
