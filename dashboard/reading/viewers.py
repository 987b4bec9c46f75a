"""The data of a crew for whoever asks: one instance a viewer, and one name for all of them."""

from collections import OrderedDict
from collections.abc import Callable
from threading import Lock
from typing import cast

from werkzeug.local import LocalProxy

from arcdrift.people import LOCAL, Viewer
from dashboard.reading.data import CrewData

MOST_KEPT = 64
"""Technicians whose view of the data is kept; what is read of the store is shared by all."""


class Viewers:
    """The data of one crew by viewer; safe to share between threads."""

    def __init__(self, everything: CrewData) -> None:
        self._everything = everything
        self._kept: OrderedDict[Viewer, CrewData] = OrderedDict()
        self._lock = Lock()

    def data(self, viewer: Viewer) -> CrewData:
        """Return the data that a viewer may see."""
        if viewer == LOCAL:
            return self._everything
        with self._lock:
            found = self._kept.get(viewer)
            if found is None:
                found = self._everything.seen_by(viewer)
                self._kept[viewer] = found
                if len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(viewer)
        return found


def data_for_request(everything: CrewData, viewer: Callable[[], Viewer]) -> CrewData:
    """Return a stand-in for the data of whoever makes the present request.

    Pages and callbacks use it like any `CrewData`; there is none without a viewer.
    """
    viewers = Viewers(everything)
    return cast("CrewData", LocalProxy(lambda: viewers.data(viewer())))
