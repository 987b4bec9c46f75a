"""Checks the write-ahead log of a SQLite file, whose damage SQLite passes over in silence.

A log that was left behind by a killed program holds changes that are not yet in the file. SQLite
applies its frames up to the first one whose checksum is wrong, and drops the rest, also whole
transactions. That is right for one that was never finished, and a loss for those that were.
The format is described at https://sqlite.org/fileformat2.html#the_write_ahead_log.
"""

import struct
import time
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    import numpy as np

_HEADER = struct.Struct(">8I")
_FRAME_HEADER = struct.Struct(">6I")
_MAGIC = {0x377F0682: "<u4", 0x377F0683: ">u4"}
"""First number of the log, and how the words of its checksums are read."""
_MOST_CHEAP_BYTES = 32 << 20
_BATCH_FRAMES = 2_000
_SETTLE_S = 0.3
"""After this time a writer that was just at work has finished its frame."""


def log_of(path: Path) -> Path:
    """Path of a file's write-ahead log."""
    return path.with_name(f"{path.name}-wal")


def lost_commits(path: Path, *, cheaply: bool = False) -> int:
    """Number of finished transactions that SQLite would drop without a word; usually 0.

    Parameters
    ----------
    path : Path
        The SQLite file. It is not opened here, for that would end locks of this process on it.
    cheaply : bool
        Pass over a log so large that reading it takes a noticeable time.
    """
    log = log_of(path)
    try:
        size = log.stat().st_size
        if size <= _HEADER.size or (cheaply and size > _MOST_CHEAP_BYTES):
            return 0
        first = _lost(log)
        if not first:
            return 0
        time.sleep(_SETTLE_S)  # it may have been read while a program was writing it
        return min(first, _lost(log))
    except OSError:
        return 0


def _lost(log: Path) -> int:
    with log.open("rb") as file:
        start = file.read(_HEADER.size)
        if len(start) < _HEADER.size:
            return 0
        magic, _, page_size, _, *salts, sum_1, sum_2 = _HEADER.unpack(start)
        if _header_sums(start, magic) != (sum_1, sum_2):
            return 1
        commits = _lost_after(file, page_size, tuple(salts), (sum_1, sum_2), _MAGIC[magic])
        file.seek(0)
        return commits if file.read(_HEADER.size) == start else 0


def _header_sums(start: bytes, magic: int) -> tuple[int, int] | None:
    """Checksums of a log's header; None where it does not begin as one."""
    if magic not in _MAGIC:
        return None
    words = struct.unpack(f"{_MAGIC[magic][0]}6I", start[:24])
    a = b = 0
    for x, y in zip(words[::2], words[1::2], strict=True):
        a = (a + x + b) & 0xFFFFFFFF
        b = (b + y + a) & 0xFFFFFFFF
    return a, b


def _lost_after(
    file: BinaryIO, page_size: int, salts: tuple[int, ...], sums: tuple[int, int], words: str
) -> int:
    """Count the commits after the first frame with a wrong checksum.

    That frame itself is not counted: a program that is killed while it writes leaves one like it.

    The checksum of a frame goes over it and all before it: for each two words x and y,
    a := a + x + b, then b := b + y + a, modulo 2^32. That is linear, so that the part of a frame
    is one product with a matrix that is the same for all.
    """
    import numpy as np

    weights, carry = _frame_weights((8 + page_size) // 8)
    frame_bytes = _FRAME_HEADER.size + page_size
    is_sound, lost = True, 0
    a, b = sums
    while block := file.read(frame_bytes * _BATCH_FRAMES):
        count = len(block) // frame_bytes
        if count == 0:
            break
        raw = np.frombuffer(block, np.uint8, count * frame_bytes).reshape(count, frame_bytes)
        summed = np.concatenate([raw[:, :8], raw[:, _FRAME_HEADER.size :]], axis=1)
        own = summed.view(words).astype(np.uint32) @ weights
        for index in range(count):
            _, commit, *found = _FRAME_HEADER.unpack_from(block, index * frame_bytes)
            is_ours = tuple(found[:2]) == salts
            if not is_sound:
                lost += is_ours and commit > 0
                continue
            a, b = (
                (row[0] * a + row[1] * b + int(part)) & 0xFFFFFFFF
                for row, part in zip(carry, own[index], strict=True)
            )
            is_sound = is_ours and (a, b) == tuple(found[2:])
    return lost


@cache
def _frame_weights(pairs: int) -> "tuple[np.ndarray, list[list[int]]]":
    """Weights of a frame's words in its checksum, and of the checksum before it.

    Returns
    -------
    weights : array (words, 2)
    carry : 2 x 2
    """
    import numpy as np

    # one pair: a' = a + b + x, b' = a + 2 b + x + y
    power = [[1, 0], [0, 1]]
    rows: list[tuple[int, int]] = []
    for _ in range(pairs):
        (p, q), (r, s) = power
        # the last pairs are multiplied by the fewest steps
        rows += [(q, s), ((p + q) & 0xFFFFFFFF, (r + s) & 0xFFFFFFFF)]
        power = [
            [(p + q) & 0xFFFFFFFF, (p + 2 * q) & 0xFFFFFFFF],
            [(r + s) & 0xFFFFFFFF, (r + 2 * s) & 0xFFFFFFFF],
        ]
    return np.array(rows[::-1], np.uint32), power
