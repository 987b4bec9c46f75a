"""One log in every encoding, and files that must not be taken for another one."""

import codecs

import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.containers import files
from arcdrift.intake.text.encodings import utf8
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES

LOG = (
    "splicer,technician,remark\r\nHeron,Bjørk,22 °C\r\n\r\nKestrel,Bjørk,“näht” – l’été\rHeron,,x\n"
)


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(LOG.encode("utf-8"), id="utf-8"),
        pytest.param(LOG.encode("utf-8-sig"), id="utf-8 with mark"),
        pytest.param(codecs.BOM_UTF16_LE + LOG.encode("utf-16-le"), id="utf-16-le with mark"),
        pytest.param(codecs.BOM_UTF16_BE + LOG.encode("utf-16-be"), id="utf-16-be with mark"),
        pytest.param(LOG.encode("utf-16-le"), id="utf-16-le"),
        pytest.param(LOG.encode("utf-16-be"), id="utf-16-be"),
        pytest.param(LOG.encode("windows-1252"), id="windows-1252"),
    ],
)
def test_the_same_text_in_every_encoding(content):
    assert utf8(content, "log.csv") == LOG.encode("utf-8")


@pytest.mark.parametrize("encoding", ["utf-16", "windows-1252", "utf-8"])
def test_a_layout_may_state_the_encoding(encoding):
    text = "a,b\n1,é\n"  # one line with one letter tells nothing by itself
    content = text.encode("utf-16-le" if encoding == "utf-16" else encoding)
    assert utf8(content, "log.csv", encoding) == text.encode("utf-8")


def test_a_mark_goes_before_what_a_layout_states():
    assert utf8("a,é\n".encode("utf-16"), "log.csv", "windows-1252") == "a,é\n".encode()
    assert utf8("a,é\n".encode("utf-8-sig"), "log.csv", "windows-1252") == "a,é\n".encode()


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(b"a,b\n1,\xe9\n2,3\n", id="one broken line among ASCII"),
        pytest.param("a,b\n1,Bjørk\n".encode() + b"2,Andr\xe9\n3,Andr\xe9\n", id="sound lines too"),
        pytest.param(b"a,b\n1,Andr\xc3\n2,Andr\xc3\n", id="letters cut in half"),
        pytest.param(b"a,b\n1,x\xb8y\n2,x\xb8y\n", id="no word has that"),
        pytest.param(b"a,b\n1,\x81\xe9t\xe9\n2,\xe9t\xe9\n", id="a byte that is no character"),
        pytest.param(b"a,b\n1,\xff\xfe\x80\n2,\xff\xfe\x80\n", id="noise"),
        pytest.param(b"", id="empty"),
        pytest.param(b"a", id="one byte"),
        pytest.param(b"a,\0\nb,\0\n", id="NUL bytes in text"),
    ],
)
def test_broken_lines_are_left_to_the_quarantine(content):
    assert utf8(content, "log.csv") == content


@pytest.mark.parametrize(
    "text",
    [
        "who,température\nHeron,1\n",  # a header has been read by someone
        "a,b\n1,Malmö\n2,Malmö\n",
        "a,b\n1,MALMÖ\n2,MALMÖ\n",
        "a,b\n1,Ørland\n2,Ørland\n",
        "a,b\n1,50 µm\n2,60 µm\n",
        "a,b\n1,22\u00a0°C\n2,23\u00a0°C\n",
        # one word is enough, if it is one
        "a,b\n1,Müller\n2,Jäger\n",
        "a,b\n1,Müller\n2,Alder\n",
        "a,b\n1,Größe\n",
        "a,b\n1,Ålesund\n",
        "a,b\n1,naïve\n",
        "a,b\n1,“ok”\n2,–\n",
        "a,b\n1,22 °C\n",
        "a,b\n1,50µm\n",
    ],
)
def test_text_that_can_only_be_windows_1252(text):
    assert utf8(text.encode("windows-1252"), "log.csv") == text.encode("utf-8")


def test_what_has_no_character_stays_broken_on_its_line():
    content = utf8("a,é\n1,".encode("windows-1252") + b"\x81\n2,3\n", "log.csv", "windows-1252")
    assert content == "a,é\n1,".encode() + b"\x81\n2,3\n"
    half = "a,b\n1,".encode("utf-16-le") + b"\x3d\xd8" + "\n2,3\n".encode("utf-16-le")
    lines = utf8(half, "log.csv").split(b"\n")
    assert (lines[0], lines[2]) == (b"a,b", b"2,3")
    with pytest.raises(UnicodeDecodeError):
        lines[1].decode("utf-8")


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (
            "a,b\n".encode("utf-16") + b"x",
            "log.csv is UTF-16 text cut within a character; copy the file again.",
        ),
        ("a,b\n".encode("utf-32"), "log.csv is UTF-32 text; save it as CSV UTF-8."),
    ],
)
def test_text_that_cannot_be_read(content, sentence):
    with pytest.raises(BadInput) as caught:
        utf8(content, "log.csv")
    assert str(caught.value) == sentence


@pytest.mark.parametrize(
    ("late", "taken"),
    [
        pytest.param(b"2,Andr\xe9\n3,Andr\xe9\n", "cp1252", id="two names"),
        pytest.param(b"2,Andr\xe9\n", "cp1252", id="one name"),
        pytest.param(b"2,x\xe9\n2,yz\n", "utf-8", id="two letters tell nothing"),
        pytest.param("2,Zo\xeb.\n".encode() + b"3,Zo\xeb\n4,Zo\xeb\n", "utf-8", id="UTF-8 too"),
    ],
)
def test_a_byte_far_down_in_a_large_file_counts_like_one_at_its_top(
    tmp_path, monkeypatch, late, taken
):
    monkeypatch.setattr(files, "JUDGED_BYTES", 100)
    content = b"a,b\n" + b"1,plain\n" * 60 + late[:8] + b"1,plain\n" * 60 + late[8:]
    # what is in an overlong line is no witness, wherever the blocks end
    content += b"5," + "é".encode() * MAX_LINE_BYTES + b"\n6,plain\n"
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with files.open_log(path, "log.csv") as text:
        whole = text.read(0, text.size)
    assert whole == utf8(content, "log.csv")
    recoded = content.decode("cp1252").encode() if taken == "cp1252" else content
    assert whole == recoded
