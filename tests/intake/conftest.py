"""What the tests of intake share."""

import pytest

from arcdrift.intake.storing import import_file


@pytest.fixture
def _reads_every_row(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that comes again is read row by row, also where its digest is known."""
    monkeypatch.setattr(import_file, "_is_known", lambda *_: False)
