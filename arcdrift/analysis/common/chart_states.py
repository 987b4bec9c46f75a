"""States of charts that go through the days one after the other, so that they can be resumed.

What such a chart says of a day depends on that day and on earlier ones. If these are as they were,
the chart can go on from the state in which it was after them. States are known by a digest of all
that led to them. So are results of single computations of the past (`KeptResults`).
"""

import io
import pickle
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from hashlib import blake2b
from importlib import import_module
from typing import Any, TypeVar

import numpy as np
import pandas as pd

Result = TypeVar("Result")
_ARRAYS = {
    ("numpy", "dtype"),
    ("numpy", "ndarray"),
    ("numpy._core.multiarray", "_reconstruct"),
    ("numpy._core.multiarray", "scalar"),
    ("numpy._core.numeric", "_frombuffer"),
}
_CLASSES = ("arcdrift.analysis.", "arcdrift.charts.")
"""Only classes defined in modules of these packages are read, besides arrays and plain values."""
_DIGEST = 16
_HEADER = 8 + _DIGEST


@dataclass
class ChartStates:
    """States that are known, and those to be kept.

    Attributes
    ----------
    until : Timestamp or None
        First day after the state that is to be kept of each chart, as a naive midnight; None where
        none is to be kept.
    known : dict of bytes
        By name of the chart, as in `kept`.
    kept : dict of bytes
        New states: the day, the digest and the state.
    """

    until: pd.Timestamp | None = None
    known: dict[str, bytes] = field(default_factory=dict)
    kept: dict[str, bytes] = field(default_factory=dict)

    def resume(self, name: str, digest: Callable[[int], bytes]) -> tuple[int, Any] | None:
        """State of a chart, if everything that led to it is as it was.

        Parameters
        ----------
        digest : callable
            `digest_of` everything on which the state of the chart before a day depends; the day
            is given in microseconds since 1970.

        Returns
        -------
        (day, state) or None
        """
        content = self.known.get(name)
        if content is None:
            return None
        day = int.from_bytes(content[:8], "big", signed=True)
        if content[8:_HEADER] != digest(day):
            return None
        return day, _read(content[_HEADER:])

    def keep(self, name: str, day: int, digest: bytes, state: Any) -> None:
        """Keep the state of a chart before a day."""
        content = pickle.dumps(state, protocol=5)
        self.kept[name] = day.to_bytes(8, "big", signed=True) + digest + content

    def results(self, name: str) -> "KeptResults":
        """Results of computations that an earlier review kept under a name."""
        content = self.known.get(name)
        return KeptResults({} if content is None else _read(content[_HEADER:]))

    def keep_results(self, name: str, results: "KeptResults") -> None:
        """Keep the results that were used, unless none is new or missing."""
        if self.until is not None and results.used.keys() != results.known.keys():
            self.keep(name, 0, bytes(_DIGEST), results.used)

    def whose_name_begins(self, text: str) -> "ChartStates":
        """Known states of some charts, to be sent to where these are computed."""
        known = {name: state for name, state in self.known.items() if name.startswith(text)}
        return ChartStates(self.until, known)

    @property
    def day_to_keep(self) -> int | None:
        """`until` in microseconds since 1970."""
        return None if self.until is None else self.until.value // 1000


@dataclass
class KeptResults:
    """Results of computations, each known by a digest of all that it depends on.

    Attributes
    ----------
    known, used : dict
        By digest: results of an earlier review, and all that this one asked for.
    """

    known: dict[bytes, Any] = field(default_factory=dict)
    used: dict[bytes, Any] = field(default_factory=dict)

    def get(self, depends_on: Iterable[Any], compute: Callable[[], Result]) -> Result:
        """Return the result of a computation, which is made if it is not known.

        Parameters
        ----------
        depends_on : iterable
            What `digest_of` takes.
        """
        digest = digest_of(depends_on)
        if digest not in self.used:
            self.used[digest] = self.known[digest] if digest in self.known else compute()
        result: Result = self.used[digest]
        return result


def _read(content: bytes) -> Any:
    return _StateReader(io.BytesIO(content)).load()


class _StateReader(pickle.Unpickler):
    """Reads states only: a store that somebody else wrote must not be able to run anything."""

    def find_class(self, module: str, name: str) -> Any:
        """Return an allowed class."""
        if (module, name) in _ARRAYS:
            return getattr(import_module(module), name)
        if module.startswith(_CLASSES):
            found = getattr(import_module(module), name, None)
            if isinstance(found, type) and found.__module__ == module:
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is no part of the state of a chart")


def digest_of(parts: Iterable[Any]) -> bytes:
    """Digest of arrays, frames and values that `repr` describes in full."""
    digest = blake2b(digest_size=_DIGEST)
    for part in parts:
        if isinstance(part, pd.DataFrame):
            digest.update(repr(list(part.columns)).encode())
            digest.update(pd.util.hash_pandas_object(part, index=False).to_numpy().tobytes())
        elif isinstance(part, np.ndarray):
            digest.update(f"{part.dtype}{part.shape}".encode())
            digest.update(np.ascontiguousarray(part).tobytes())
        else:
            digest.update(repr(part).encode())
        digest.update(b"|")
    return digest.digest()
