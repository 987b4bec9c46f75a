"""Standard streams that the caller has closed, full disks, and pipes whose reader is gone."""

import errno
import os
import sys

PIPE_CLOSED = 141
"""Exit code that a shell shows when the reader of a pipe has closed it (128 + SIGPIPE)."""


def discard_output() -> None:
    """Redirect standard output to the null device, so that the final flush cannot fail."""
    null_device = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null_device, sys.stdout.fileno())
    os.close(null_device)


def open_closed_streams() -> None:
    """Open the null device in place of a standard stream that the caller has closed.

    Otherwise Python has None there, and the next file to be opened gets the stream's number.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)


def output_is_full(problem: BaseException) -> OSError | None:
    """The error of a disk that has no room for standard output; None for any other problem.

    Errors of files have a file name, and those of the store and of temporary files are told
    as such before.
    """
    error = problem.__cause__ or problem
    full = isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)
    return error if full and isinstance(error, OSError) and error.filename is None else None
