"""The entry of the ``arcdrift`` program, and the exit code of every kind of error.

It imports next to nothing, so that Ctrl-C is handled from the first moment on.
"""

import gc
import sys

from arcdrift.cli.closed_streams import (
    PIPE_CLOSED,
    discard_output,
    open_closed_streams,
    output_is_full,
)
from arcdrift.cli.interrupts import INTERRUPTED, handle_interrupts, was_interrupted
from arcdrift.errors import ArcdriftError, BadInput

YOUNG_OBJECTS = 200_000
"""So many new objects are made before the garbage collector looks at them: what a command imports
is no garbage, and to look at it again and again takes a short command a tenth of its time."""


def run(arguments: list[str] | None = None) -> None:
    """Run the program and exit; this is the installed entry point.

    Parameters
    ----------
    arguments : list of str, optional
        What follows ``arcdrift``; by default the arguments of this process.
    """
    if arguments is None:
        gc.set_threshold(YOUNG_OBJECTS)
    open_closed_streams()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # a character that the terminal cannot show must not end a command
            stream.reconfigure(errors="replace")
    with handle_interrupts(ends_process=arguments is None):
        code = _exit_code(arguments)
    if arguments is None:
        gc.disable()  # else all that was imported is searched through once more as Python ends
    sys.exit(code)


def _exit_code(arguments: list[str] | None) -> int:
    """Run the program and return its exit code; a traceback is never printed."""
    try:
        try:
            from arcdrift.cli.command_tree import app

            app(args=arguments, prog_name="arcdrift")
        except SystemExit as done:
            if isinstance(getattr(done.__context__, "__cause__", None), KeyboardInterrupt):
                raise KeyboardInterrupt from None  # raised outside of the command; nothing is said
            sys.stdout.flush()
            return done.code if isinstance(done.code, int) else 1
        except ArcdriftError as problem:
            sys.stdout.flush()
            print_error(problem)
            return problem.exit_code
        except BrokenPipeError:
            raise
        except Exception as problem:
            if was_interrupted():
                raise KeyboardInterrupt from problem
            from arcdrift.cli.error_messages import EXIT_CODE, log_unexpected

            if (full := output_is_full(problem)) is not None:
                raise full from None
            sys.stdout.flush()
            print_error(log_unexpected(problem))
            return EXIT_CODE
    except KeyboardInterrupt:
        sys.stderr.write("Interrupted before anything was done.\n")
        return INTERRUPTED
    except BrokenPipeError:
        discard_output()
        return PIPE_CLOSED
    except OSError as problem:
        discard_output()
        reason = (problem.strerror or str(problem)).lower()
        print_error(f"The output cannot be written: {reason}. What was stored by then stands.")
        return BadInput.exit_code
    return 0


def print_error(problem: object) -> None:
    """Print the sentence of an error on standard error."""
    from arcdrift.cli.output import print_notice

    print_notice(problem)
