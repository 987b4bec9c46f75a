"""The data of a crew for whoever asks: one instance a viewer, and one name for all of them."""

from collections import OrderedDict
from collections.abc import Callable
from threading import Lock
from typing import cast

from flask import g, has_app_context
from werkzeug.local import LocalProxy

from arcdrift.people import LOCAL, Viewer
from dashboard.reading.data import CrewData

MOST_KEPT = 64
"""Technicians whose view of the data is kept; what is read of the store is shared by all."""

_OF_REQUEST = "arcdrift_data"


class Viewers:
    """The data of one crew by viewer; safe to share between threads.

    Once crew.toml has changed there are new instances, so that nothing which rests on the old
    settings is kept.
    """

    def __init__(self, everything: CrewData) -> None:
        self._everything = everything
        self._kept: OrderedDict[Viewer, CrewData] = OrderedDict()
        self._lock = Lock()

    def everything(self) -> CrewData:
        """Return the data as the lead sees it, under the settings of now."""
        with self._lock:
            return self._newest()

    def data(self, viewer: Viewer) -> CrewData:
        """Return the data that a viewer may see, under the settings of now."""
        with self._lock:
            everything = self._newest()
            if viewer == LOCAL:
                return everything
            found = self._kept.get(viewer)
            if found is None:
                found = everything.seen_by(viewer)
                self._kept[viewer] = found
                if len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(viewer)
        return found

    def _newest(self) -> CrewData:
        newer = self._everything.under_newer_settings()
        if newer is not None:
            self._everything = newer
            self._kept.clear()
        return self._everything


def data_for_request(viewers: Viewers, viewer: Callable[[], Viewer]) -> CrewData:
    """Return a stand-in for the data of whoever makes the present request.

    Pages and callbacks use it like any `CrewData`; there is none without a viewer. A request is
    answered under the settings that were in force when it first asked.
    """

    def found() -> CrewData:
        if not has_app_context():
            return viewers.data(viewer())
        who, kept = viewer(), g.setdefault(_OF_REQUEST, {})
        if who not in kept:
            kept[who] = viewers.data(who)
        return cast("CrewData", kept[who])

    return cast("CrewData", LocalProxy(found))


def look_at_settings_again() -> None:
    """Let the present request use the settings that it has just changed."""
    g.pop(_OF_REQUEST, None)
