"""Text in the encodings that logs come in, made UTF-8 without moving a line.

The rule, in this order:

1. A byte order mark (UTF-8 or UTF-16) decides; then the encoding that a layout states.
2. Text in which every other byte is NUL from the start is UTF-16 without a mark.
3. Text that is UTF-8 as a whole is UTF-8.
4. Text that is not is Windows-1252 only if nothing in it speaks for UTF-8 and everything for
   Windows-1252: not one character of several bytes is sound UTF-8, every such byte stands where
   a letter or a sign may stand, and a word with one is in the header or on several lines.
5. Anything else is UTF-8 with broken lines, which go to quarantine one by one.

So a few broken lines never change how the others are read; a file too short to tell is left
alone, and a layout can say what it is.
"""

import re
from collections import Counter
from typing import Literal

import numpy as np

from arcdrift.errors import BadInput
from arcdrift.intake.lines import MAX_LINE_BYTES, split

Encoding = Literal["utf-8", "utf-16", "windows-1252"]

UTF8_MARK, LITTLE_MARK, BIG_MARK = b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"
_SAMPLE_BYTES = 512
_SHARE_OF_NULS, _FEW_NULS = 0.7, 0.1
"""Headers are mostly ASCII, which UTF-16 writes with a NUL beside each letter."""

_SOUND_UTF8 = re.compile(
    rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}"
)
_LOWER, _UPPER = "ß-öø-þšžœ", "À-ÖØ-ÞŠŽŒŸ"
_SIGNS = "°±²³µ·º§«»¼½¾×÷€£¥‘’‚“”„–—…•‹›†‰¿¡\u00a0"
# a small letter stands in a word, a capital one does not follow a small one
_PLAUSIBLE = re.compile(
    f"[{_SIGNS}]"
    f"|(?<=[A-Za-z{_LOWER}{_UPPER}])[{_LOWER}]|[{_LOWER}](?=[A-Za-z{_LOWER}{_UPPER}])"
    f"|\\b[{_LOWER}]\\b"
    f"|(?<![a-z{_LOWER}])[{_UPPER}]"
)
_FOREIGN = re.compile("[^\x00-\x7f]")
_WORD = re.compile("[^\\W\\d_]*[^\x00-\x7f][^\\W\\d_]*")
_LINES_WITH_A_WORD = 2


def utf8(content: bytes, name: str, encoding: Encoding | None = None) -> bytes:
    """Text as UTF-8 without byte order mark; each line stays on its line.

    What the encoding has no character for stays as a byte that is not UTF-8, so that its line
    is quarantined.

    Parameters
    ----------
    content : bytes
        Unpacked text.
    name : str
        File name for messages.
    encoding : str, optional
        What a layout states; default told from the bytes.

    Raises
    ------
    BadInput
        When it is UTF-16 cut within a character, or UTF-32.
    """
    if content.startswith((LITTLE_MARK + b"\0\0", b"\0\0" + BIG_MARK)):
        raise BadInput(f"{name} is UTF-32 text; save it as CSV UTF-8.")
    if content.startswith(UTF8_MARK):
        return content[len(UTF8_MARK) :]
    if content.startswith((LITTLE_MARK, BIG_MARK)):
        little = content.startswith(LITTLE_MARK)
        return _from_utf16(content[2:], "le" if little else "be", name)
    if encoding == "utf-16":
        return _from_utf16(content, _order(content) or "le", name)
    if encoding == "windows-1252":
        return _from_windows(content)
    if encoding == "utf-8" or (content.isascii() and b"\0" not in content[:_SAMPLE_BYTES]):
        return content
    order = _order(content)
    if order is not None:
        return _from_utf16(content, order, name)
    return _from_windows(content) if _is_windows(content) else content


def _order(content: bytes) -> Literal["le", "be"] | None:
    """Byte order of UTF-16 without a mark, None where it is not evident."""
    sample = np.frombuffer(content[: min(_SAMPLE_BYTES, len(content) & ~1)], np.uint8)
    if len(sample) < 4:
        return None
    first, second = (float((sample[part::2] == 0).mean()) for part in (0, 1))
    if first <= _FEW_NULS and second >= _SHARE_OF_NULS:
        return "le"
    if second <= _FEW_NULS and first >= _SHARE_OF_NULS:
        return "be"
    return None


def _from_utf16(content: bytes, order: Literal["le", "be"], name: str) -> bytes:
    if len(content) % 2:
        raise BadInput(f"{name} is UTF-16 text cut within a character; copy the file again.")
    # half of a pair stays half, which UTF-8 does not allow: its line is quarantined
    return content.decode(f"utf-16-{order}", "surrogatepass").encode("utf-8", "surrogatepass")


def _from_windows(content: bytes) -> bytes:
    return content.decode("cp1252", "surrogateescape").encode("utf-8", "surrogateescape")


def _is_windows(content: bytes) -> bool:
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        return False
    lines = split(content)
    high = np.flatnonzero(lines.bytes_ >= 128)
    where = np.unique(np.searchsorted(lines.starts, high, side="right") - 1)
    seen: Counter[str] = Counter()
    for line in where.tolist():
        data = content[lines.starts[line] : lines.ends[line]]
        if len(data) > MAX_LINE_BYTES or b"\0" in data:
            continue  # quarantined for that, and no witness
        if _SOUND_UTF8.search(data):
            return False
        try:
            text = data.decode("cp1252")
        except UnicodeDecodeError:
            return False
        if _FOREIGN.search(_PLAUSIBLE.sub("", text)):
            return False
        seen.update(set(_WORD.findall(text)))
    header = next((line for line in range(len(lines)) if lines.text(line).strip()), 0)
    return header in where or max(seen.values(), default=0) >= _LINES_WITH_A_WORD
