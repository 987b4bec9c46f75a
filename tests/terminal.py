"""A terminal with a person at it."""

import io


class Terminal(io.StringIO):
    """Standard input or error of a person at a terminal."""

    def isatty(self) -> bool:
        return True
