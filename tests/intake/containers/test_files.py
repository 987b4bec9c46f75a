"""Files in whatever they are kept in: text out of each, and a sentence where there is none."""

import gzip
import hashlib
import zipfile

import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.containers.files import open_log


def test_a_packed_file_is_unpacked(tmp_path):
    path = tmp_path / "log.csv.gz"
    content = b"\xef\xbb\xbfa,b\n1,2\n"
    path.write_bytes(gzip.compress(content[:5]) + gzip.compress(content[5:]))
    with open_log(path, path.name) as text:
        assert text.read(0, text.size) == b"a,b\n1,2\n"
        assert text.file_size == path.stat().st_size
        assert text.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert text.encoding is None


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        ("Gerät\n".encode(), None),
        ("Gerät\n".encode("utf-8-sig"), None),
        ("Gerät\n".encode("cp1252"), "windows-1252"),
        ("Gerät\n".encode("utf-16"), "utf-16"),
        (gzip.compress("Gerät\n".encode("cp1252"), mtime=0), None),
    ],
    ids=["utf-8", "utf-8 with mark", "windows-1252", "utf-16", "packed"],
)
def test_the_encoding_that_a_layout_should_state(tmp_path, content, encoding):
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with open_log(path, path.name) as text:
        assert text.encoding == encoding
        assert text.read(0, text.size) == "Gerät\n".encode()


def refused(path, **options) -> str:
    with pytest.raises(BadInput) as caught:
        with open_log(path, path.name, **options):
            pass
    return str(caught.value)


def test_files_that_cannot_be_read_are_refused(tmp_path):
    path = tmp_path / "log.csv"
    assert refused(path) == f"{path} does not exist; check the name."
    assert refused(tmp_path) == f"{tmp_path} is a folder; give the log files in it."
    path.write_bytes(b"x" * 2000)
    assert refused(path, max_bytes=1 << 10) == "log.csv is larger than 0 MiB; split it."
    path.write_bytes(gzip.compress(b"x" * (3 << 20)))
    assert refused(path, max_bytes=2 << 20) == "log.csv unpacks to more than 2 MiB; split it."
    path.write_bytes(gzip.compress(b"a,b\n1,2\n")[:-4])
    assert refused(path) == "log.csv is cut short; copy the packed file again."
    path.write_bytes(b"\x1f\x8b\x08" + b"\xff" * 50)
    assert refused(path) == "log.csv is damaged; copy the packed file again."


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"PK\x03\x04...", "is damaged; copy the file again"),
        (b"PAR1...", "is damaged; copy the file again"),
        (b"%PDF-1.7", "is a PDF; export the log as CSV"),
        (b"SQLite format 3\0", "is a database; export the log as CSV"),
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
            "is an old spreadsheet, or one protected by a password; save it as .xlsx without one",
        ),
        (b"7z\xbc\xaf\x27\x1c", "is a 7z archive; unpack it first"),
    ],
)
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_the_first_bytes_tell_what_a_file_is(tmp_path, content, said, pack):
    path = tmp_path / "log.csv"
    path.write_bytes(pack(content))
    assert refused(path) == f"log.csv {said}."


def test_an_archive_is_no_log(tmp_path):
    path = tmp_path / "log.csv"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.csv", "a,b\n1,2\n")
    assert refused(path) == "log.csv is an archive; unpack it and give the files in it."
