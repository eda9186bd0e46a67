"""Clean texts and pictures of unknown origin before they are put on a page.

The template escapes HTML. This module handles the rest: control characters, direction overrides that make a text
look like another one, very long texts, and pictures.
"""

from __future__ import annotations

import unicodedata
import xml.etree.ElementTree as ET

MAX_TEXT = 600
_ACTIVE = {"script", "foreignobject", "iframe", "object", "embed", "audio", "video", "animate", "set", "a"}
_REPLACED = ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")


def plain_text(text: str, limit: int = MAX_TEXT) -> str:
    """Return a text for a page: no control or direction characters, at most `limit` characters.

    >>> plain_text("a\\u202eb\\x00c"), plain_text("x" * 9, 4)
    ('a\ufffdb\ufffdc', 'xxxx… (9 characters, complete in the record)')
    """
    if len(text) > limit:
        return f"{plain_text(text[:limit], limit)}… ({len(text)} characters, complete in the record)"
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        c if c in "\n\t" or unicodedata.category(c) not in _REPLACED else "\N{REPLACEMENT CHARACTER}"
        for c in text
    )


def label(text: str, limit: int = 40) -> str:
    """Return a text for a label inside a picture: one short line, no formula marks.

    >>> label("T1 $x$")
    'T1 ＄x＄'
    """
    line = " ".join(plain_text(text[: limit + 1], limit + 1).split())
    line = line if len(line) <= limit else f"{line[: limit - 1]}…"
    return line.replace("$", "\N{FULLWIDTH DOLLAR SIGN}").replace("\\", "\N{FULLWIDTH REVERSE SOLIDUS}")


def sanitise_svg(svg: str) -> str | None:
    """Return SVG text that only draws; None if it is malformed, runs a script or links to something outside."""
    try:
        root = ET.fromstring(svg)  # noqa: S314 - our own libraries' output, without a document type: no entities
    except ET.ParseError:
        return None
    for element in root.iter():
        if str(element.tag).rpartition("}")[2].lower() in _ACTIVE:
            return None
        for name, value in element.attrib.items():
            short = name.rpartition("}")[2].lower()
            if short.startswith("on") or (short in ("href", "src") and not value.startswith("#")):
                return None
            if "url(" in value.replace(" ", "").lower() and "url(#" not in value.replace(" ", "").lower():
                return None
    return svg
