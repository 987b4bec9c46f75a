"""The key that signs cookies is kept, and kept from others."""

import os
import stat

import pytest

from arcdrift.errors import StoreTrouble
from dashboard.access.secret_key import KEY_FILE, secret_key


def test_a_key_is_made_once_and_only_its_user_can_read_it(tmp_path):
    key = secret_key(tmp_path)
    assert len(key) == 32
    assert secret_key(tmp_path) == key
    assert [path.name for path in tmp_path.iterdir()] == [KEY_FILE]
    if os.name == "posix":
        assert stat.S_IMODE((tmp_path / KEY_FILE).stat().st_mode) == 0o600
    (tmp_path / "other").mkdir()
    assert secret_key(tmp_path / "other") != key


@pytest.mark.skipif(os.name != "posix", reason="files have no such modes here")
def test_a_key_that_others_can_read_is_refused(tmp_path):
    secret_key(tmp_path)
    (tmp_path / KEY_FILE).chmod(0o644)
    with pytest.raises(StoreTrouble, match="other users of this computer can read or change it"):
        secret_key(tmp_path)


@pytest.mark.parametrize("content", ["", "no key", "ab" * 8])
def test_a_file_without_a_key_is_refused(tmp_path, content):
    path = tmp_path / KEY_FILE
    path.write_text(content, encoding="ascii")
    path.chmod(0o600)
    with pytest.raises(StoreTrouble, match="remove it"):
        secret_key(tmp_path)


def test_where_nothing_can_be_written_a_key_lives_as_long_as_the_server(tmp_path):
    assert secret_key(tmp_path / "not there") != secret_key(tmp_path / "not there")
