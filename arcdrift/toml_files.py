"""Read the text of a TOML file as editors of any system save it."""

from pathlib import Path

from arcdrift.errors import BadInput


def toml_text(path: Path, what: str) -> str:
    """Read the text of a TOML file, with or without a byte order mark.

    Parameters
    ----------
    what : str
        What the sentence of a refusal calls the file.

    Raises
    ------
    FileNotFoundError
        When there is none.
    BadInput
        When it cannot be read, or is not UTF-8 text.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise
    except UnicodeDecodeError as problem:
        line = problem.object.count(b"\n", 0, problem.start) + 1
        raise BadInput(
            f"{what} is not UTF-8 text, as line {line} shows; save it with the encoding UTF-8."
        ) from None
    except OSError as problem:
        reason = (problem.strerror or str(problem)).lower()
        raise BadInput(f"{what} cannot be read: {reason}.") from None
