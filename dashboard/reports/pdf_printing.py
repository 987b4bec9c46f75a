"""A report as PDF, printed by a Chromium that is installed."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from arcdrift.errors import BadInput

PROGRAMS = ("chromium", "chromium-browser")
SECONDS = 120
NONE_FOUND = (
    "There is no PDF, because no Chromium was found on this machine (chromium or "
    "chromium-browser). Install one, or open the file in any browser and print it from there."
)


def installed_chromium() -> str | None:
    """Return the path of an installed Chromium; None where there is none."""
    return next((path for name in PROGRAMS if (path := shutil.which(name))), None)


def print_pdf(page: Path, pdf: Path, chromium: str) -> None:
    """Print an HTML file as PDF.

    Parameters
    ----------
    chromium : str
        Path of the program, from `installed_chromium`.

    Raises
    ------
    BadInput
        Where it could not, in a sentence.
    """
    with tempfile.TemporaryDirectory(prefix="arcdrift-pdf-") as profile:
        command = [
            chromium, "--headless", "--disable-gpu", "--no-first-run", "--disable-sync",
            "--disable-background-networking", "--disable-component-update",
            "--no-pdf-header-footer", f"--user-data-dir={profile}",
            # a sandbox of its own is not given to the superuser; the page has no script
            *(["--no-sandbox"] if getattr(os, "geteuid", lambda: 1)() == 0 else []),
            f"--print-to-pdf={pdf.resolve()}", page.resolve().as_uri(),
        ]  # fmt: skip
        try:
            done = subprocess.run(command, capture_output=True, timeout=SECONDS, check=False)  # noqa: S603 - our own program and files
        except (OSError, subprocess.TimeoutExpired):
            done = None
    if done is None or done.returncode != 0 or not pdf.is_file():
        raise BadInput(
            f"{pdf} could not be printed by {chromium}; open {page} in a browser and print it."
        )
