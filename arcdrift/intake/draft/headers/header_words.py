"""Compare the words of headers and cells: plain letters, word order, units."""

import re
import unicodedata
from functools import lru_cache
from typing import TypeAlias

Key: TypeAlias = tuple[str, ...]
"""The words of a header in an order that does not depend on how they were written."""

_CACHED_TEXTS = 1 << 14
"""Texts whose forms are cached, as each is looked at for every column."""
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")
_ELISION = re.compile(r"\b[dl]['\u2019](?=\w)", re.IGNORECASE)
_SIGNS = {"#": " no ", "№": " no ", "n.º": " no ", "n.°": " no ", "n°": " no ", "nº": " no "}
_DIRECTED = {"a", "b"}
"""Words whose order matters, as in "A to B"."""


@lru_cache(_CACHED_TEXTS)
def plain(text: str) -> str:
    """Reduce a text to small letters and digits without accents, one blank between words."""
    words = _ELISION.sub("", _CAMEL.sub(" ", text.strip())).casefold()
    for sign, word in _SIGNS.items():
        words = words.replace(sign, word)
    bare = unicodedata.normalize("NFKD", words)
    bare = "".join(char for char in bare if not unicodedata.combining(char))
    return " ".join(re.findall(r"[a-z0-9]+", bare))


@lru_cache(_CACHED_TEXTS)
def key_of(text: str) -> Key:
    """Words of a text for comparison; their order counts only where it tells directions apart."""
    words = plain(text).split()
    return tuple(words if _DIRECTED <= set(words) else sorted(words))


def plain_unit(word: str) -> str:
    """Reduce a word for a unit to letters and signs without blanks, points and accents."""
    bare = unicodedata.normalize("NFKC", word).casefold().replace("μ", "u").replace("µ", "u")
    bare = re.sub(r"[\s.]", "", bare).replace('"', "in").replace("º", "°")
    return "".join(c for c in unicodedata.normalize("NFKD", bare) if not unicodedata.combining(c))
