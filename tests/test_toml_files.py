"""Settings and layouts as editors of any system save them, and what is refused in them."""

from pathlib import Path

import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.layout.layouts import load_layout
from arcdrift.settings import load_crew
from arcdrift.settings_file import save_budget

CREW = 'name = "Ærøy"\r\n[sites."Depot"]\r\n[splicers."Heron"]\r\nhome_site = "Depot"\r\n'
LAYOUT = (
    'kind = "service"\r\nignore = ["Größe"]\r\n[columns]\r\nasset = "Gerät"\r\n'
    'action = "Arbeit"\r\nserviced_at = "Zeit"\r\n'
)


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path: Path):
    (tmp_path / "crew.toml").write_bytes(CREW.encode("utf-8-sig"))
    assert load_crew(tmp_path).name == "Ærøy"
    (tmp_path / "own.toml").write_bytes(LAYOUT.encode("utf-8-sig"))
    assert load_layout(tmp_path / "own.toml").wanted == ("Gerät", "Arbeit", "Zeit")


def test_a_byte_order_mark_stays_where_it_is(tmp_path: Path):
    (tmp_path / "crew.toml").write_bytes(CREW.encode("utf-8-sig"))
    save_budget(tmp_path, 4.0)
    text = (tmp_path / "crew.toml").read_bytes().decode("utf-8")
    assert text.count("\ufeff") == 1
    assert text.startswith('\ufeffname = "Ærøy"')
    assert load_crew(tmp_path).false_alarms_per_month == 4


@pytest.mark.parametrize("encoding", ["latin-1", "utf-16"])
def test_another_encoding_is_refused_with_its_line(tmp_path: Path, encoding: str):
    line = 1
    (tmp_path / "crew.toml").write_bytes(CREW.encode(encoding))
    with pytest.raises(BadInput) as caught:
        load_crew(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path / 'crew.toml'} is not UTF-8 text, as line {line} shows; save it with the "
        "encoding UTF-8."
    )
    (tmp_path / "own.toml").write_bytes(LAYOUT.encode(encoding))
    with pytest.raises(BadInput) as caught:
        load_layout(tmp_path / "own.toml")
    line = 2 if encoding == "latin-1" else 1
    assert str(caught.value) == (
        f"The layout own.toml is not UTF-8 text, as line {line} shows; save it with the encoding "
        "UTF-8."
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('name = ""\n', "name: the name is blank; write one."),
        ('name = " "\n', "name: the name is blank; write one."),
        ('name = "x"\n[sites.""]\n', 'sites."": the name is blank; write one.'),
        ('name = "x"\n[splicers." "]\n', 'splicers." ": the name is blank; write one.'),
        (
            'name = "Own"\n[splicers."Heron"]\nhome_site = "Nowhere"\n',
            "the home_site 'Nowhere' of the splicer 'Heron' is not one of the sites; correct it, "
            'or add [sites."Nowhere"].',
        ),
        (
            'name = "Own"\n[sites.Harbor]\n[splicers.Heron]\nhome_site = "Habor"\n',
            "the home_site 'Habor' of the splicer 'Heron' is not one of the sites (the nearest is "
            "'Harbor'); correct it, or add [sites.\"Habor\"].",
        ),
    ],
)
def test_settings_that_mean_nothing_are_refused(tmp_path: Path, text: str, sentence: str):
    (tmp_path / "crew.toml").write_text(text, encoding="utf-8")
    with pytest.raises(BadInput) as caught:
        load_crew(tmp_path)
    assert str(caught.value) == f"{tmp_path / 'crew.toml'}: {sentence}"
