"""Pages made once in the background after a start and after each analysis.

What they read and draw is kept (`dashboard/kept_parts.py`), so that nobody waits for it.
"""

import atexit
import logging
from collections.abc import Callable
from threading import Event, Thread

from dashboard.callbacks import screen
from dashboard.pages import PAGES
from dashboard.reading.data import CrewData
from dashboard.reading.one_state import read_state

LOOK_SECONDS = 5.0
"""How often it is looked whether there was an analysis."""
PAUSE_SECONDS = 0.1
"""Between two pages, so that requests of people come first."""

log = logging.getLogger("arcdrift.dashboard")


class WarmPages:
    """Makes every page of the lead again whenever results are new.

    Parameters
    ----------
    everything : callable
        Returns the crew's data under the settings of now.
    """

    def __init__(self, everything: Callable[[], CrewData]) -> None:
        self._everything = everything
        self._stopping = Event()
        self._results: str | None = None
        self._worker = Thread(target=self._work, name="warm-pages", daemon=True)

    def start(self) -> None:
        """Begin to look for new results."""
        self._worker.start()
        # the process cannot exit while the thread reads the store
        atexit.register(self._end)

    def stop(self) -> None:
        """Make no further page."""
        self._stopping.set()

    def _end(self) -> None:
        self.stop()
        self._worker.join()

    def _work(self) -> None:
        while not self._stopping.is_set():
            try:
                self.look()
            except Exception:  # whoever opens the page is told what is wrong
                log.debug("a page was not made ahead", exc_info=True)
            self._stopping.wait(LOOK_SECONDS)

    def look(self) -> None:
        """Make the pages, if there was an analysis since they were made last."""
        data = self._everything()
        results = read_state(data.engine).results
        if results == self._results:
            return
        self._results = results
        for path in PAGES:
            if not self._stopping.wait(PAUSE_SECONDS):
                screen(data, path, "", "light")
