"""Runs calls of the Arrow driver in a thread of their own, so that Ctrl-C stays Python's.

In the main thread the driver manager handles SIGINT itself while a call runs. It then tries to
cancel the call, which the driver for SQLite cannot do, and the Ctrl-C is lost or comes out as an
error of the driver. In any other thread it leaves signals alone.
"""

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Result = TypeVar("Result")


def run_in_arrow_thread(work: Callable[[], Result]) -> Result:
    """Call `work` and return its result; a Ctrl-C meanwhile is raised once the call has ended."""
    if threading.current_thread() is not threading.main_thread():
        return work()
    with ThreadPoolExecutor(1, thread_name_prefix="arrow") as executor:
        return executor.submit(work).result()
