"""Find the encoding of a log and recode it to UTF-8; every line keeps its number.

The rules, in this order:

1. A byte order mark (UTF-8 or UTF-16) decides; then the encoding that a layout states.
2. Text in which every other byte is NUL from the start is UTF-16 without a mark.
3. Text that is UTF-8 as a whole is UTF-8; all of the file is checked, however large it is.
4. Other text is Windows-1252 only if all of it agrees: no sequence of bytes above 127 is valid
   UTF-8, each of them stands where a letter or a sign may stand, and one is in the header, in a
   word with two other letters or more, before a unit (as in 22 °C), or in a word that is on
   several lines.
5. Anything else is UTF-8 with broken lines, which are quarantined one by one.

So a few broken lines never change how the others are read. A file too short to decide is read as
UTF-8, and a layout can state its encoding.
"""

import codecs
import re
from collections.abc import Iterable, Iterator
from typing import Literal

import numpy as np

from arcdrift.errors import BadInput
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES, split

Encoding = Literal["utf-8", "utf-16", "windows-1252"]
Codec = Literal["utf-16-le", "utf-16-be", "cp1252"]
ENCODING_OF: dict[Codec, Encoding] = {
    "utf-16-le": "utf-16",
    "utf-16-be": "utf-16",
    "cp1252": "windows-1252",
}
"""What a layout states for a text of each codec."""

UTF8_MARK, LITTLE_MARK, BIG_MARK = b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"
SAMPLE_BYTES = 512
_SHARE_OF_NULS, _FEW_NULS = 0.7, 0.1
"""UTF-16 has a NUL beside each ASCII letter, and headers are mostly ASCII."""

_SOUND_UTF8 = re.compile(
    rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}"
)
_LOWER, _UPPER = "ß-öø-þšžœ", "À-ÖØ-ÞŠŽŒŸ"
_SIGNS = "°±²³µ·º§«»¼½¾×÷€£¥‘’‚“”„–—…•‹›†‰¿¡\u00a0"
# a small letter is part of a word, a capital letter does not follow a small one
_PLAUSIBLE = re.compile(
    f"[{_SIGNS}]"
    f"|(?<=[A-Za-z{_LOWER}{_UPPER}])[{_LOWER}]|[{_LOWER}](?=[A-Za-z{_LOWER}{_UPPER}])"
    f"|\\b[{_LOWER}]\\b"
    f"|(?<![a-z{_LOWER}])[{_UPPER}]"
)
_FOREIGN = re.compile("[^\x00-\x7f]")
_WORD = re.compile("[^\\W\\d_]*[^\x00-\x7f][^\\W\\d_]*")
_TELLING = re.compile("[°º][CF]\\b|[µ][A-Za-z]|[A-Za-z].*[A-Za-z]")
"""What makes a single word enough: a unit, or two plain letters."""
# a word with bytes above 127; the characters around it are neither letters nor digits
_RUN = re.compile(rb"(?<![\w\x80-\xff])\w*+[\x80-\xff][\w\x80-\xff]*+")


def utf8(content: bytes, name: str, encoding: Encoding | None = None) -> bytes:
    """Recode a text to UTF-8 without byte order mark.

    A byte that has no character in its encoding stays as it is, which is not UTF-8, so that its
    line is quarantined.

    Parameters
    ----------
    content : bytes
        Unpacked text.
    name : str
        File name for messages.
    encoding : str, optional
        Encoding that a layout states; default found from the bytes.

    Raises
    ------
    BadInput
        When it is UTF-16 cut within a character, or UTF-32.
    """
    codec = codec_of(content[:SAMPLE_BYTES], name, encoding, [content])
    if codec is not None:
        content = b"".join(recoded([content], codec, len(content), name))
    return content.removeprefix(UTF8_MARK)


def recoded(blocks: Iterable[bytes], codec: Codec, size: int, name: str) -> Iterator[bytes]:
    """Recode a text block by block to UTF-8, its byte order mark included.

    Parameters
    ----------
    blocks : iterable of bytes
        The text, cut anywhere.
    size : int
        Bytes of the whole text.

    Raises
    ------
    BadInput
        When it is UTF-16 cut within a character.
    """
    if codec != "cp1252" and size % 2:
        raise BadInput(f"{name} is UTF-16 text cut within a character; copy the file again.")
    # half of a UTF-16 pair stays half, which UTF-8 does not allow: its line is quarantined
    errors = "surrogateescape" if codec == "cp1252" else "surrogatepass"
    decoder = codecs.getincrementaldecoder(codec)(errors)
    for block in blocks:
        yield decoder.decode(block).encode("utf-8", errors)
    yield decoder.decode(b"", final=True).encode("utf-8", errors)


def codec_of(
    start: bytes, name: str, stated: Encoding | None, blocks: Iterable[bytes]
) -> Codec | None:
    """Find the codec of a text; None for UTF-8.

    Parameters
    ----------
    start : bytes
        Its first 512 bytes.
    stated : str, optional
        What a layout states.
    blocks : iterable of bytes
        All of it in blocks of whole lines; read only if nothing else decides.

    Raises
    ------
    BadInput
        When it is UTF-32.
    """
    if start.startswith((LITTLE_MARK + b"\0\0", b"\0\0" + BIG_MARK)):
        raise BadInput(f"{name} is UTF-32 text; save it as CSV UTF-8.")
    if start.startswith(UTF8_MARK):
        return None
    if start.startswith((LITTLE_MARK, BIG_MARK)):
        return "utf-16-le" if start.startswith(LITTLE_MARK) else "utf-16-be"
    order = _order(start)
    if stated == "utf-16":
        return order or "utf-16-le"
    if stated is not None:
        return "cp1252" if stated == "windows-1252" else None
    return order or ("cp1252" if _is_windows(blocks) else None)


def _order(content: bytes) -> Literal["utf-16-le", "utf-16-be"] | None:
    """Byte order of UTF-16 text without a mark; None if it is not evident."""
    sample = np.frombuffer(content[: min(SAMPLE_BYTES, len(content) & ~1)], np.uint8)
    if len(sample) < 4:
        return None
    first, second = (float((sample[part::2] == 0).mean()) for part in (0, 1))
    if first <= _FEW_NULS and second >= _SHARE_OF_NULS:
        return "utf-16-le"
    if second <= _FEW_NULS and first >= _SHARE_OF_NULS:
        return "utf-16-be"
    return None


def _is_windows(blocks: Iterable[bytes]) -> bool:
    """Whether a text can only be Windows-1252; stops reading at the first sign against it."""
    telling = header_passed = False
    seen: dict[str, tuple[int, int]] = {}
    for number, block in enumerate(blocks):
        if block.isascii():
            header_passed = header_passed or bool(block.strip())
            continue
        lines = split(block)
        runs = list(_RUN.finditer(block))
        line_of = np.searchsorted(lines.starts, [run.start() for run in runs], side="right") - 1
        if not header_passed:
            first = next(line for line in range(len(lines)) if lines.text(line).strip())
            telling, header_passed = first in line_of, True
        # lines that are quarantined for another reason do not count
        readable = lines.ends - lines.starts[:-1] <= MAX_LINE_BYTES
        if b"\0" in block:
            nul = np.flatnonzero(lines.bytes_ == 0)
            readable[np.searchsorted(lines.starts, nul, side="right") - 1] = False
        pairs = [(run[0], line) for run, line in zip(runs, line_of.tolist(), strict=True)]
        pairs = [pair for pair in pairs if readable[pair[1]]]
        for run in {run for run, _ in pairs}:
            if not _may_be_windows(run):
                return False
        for run, line in () if telling else pairs:
            for word in _WORD.findall(run.decode("cp1252")):
                telling |= _TELLING.search(word) is not None
                telling |= seen.setdefault(word, (number, line)) != (number, line)
    return telling


def _may_be_windows(run: bytes) -> bool:
    if _SOUND_UTF8.search(run):
        return False
    try:
        text = run.decode("cp1252")
    except UnicodeDecodeError:
        return False
    return _FOREIGN.search(_PLAUSIBLE.sub("", text)) is None
