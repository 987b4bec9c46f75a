"""Logged reasons of failed splices: their classes, and a crew's own words for them."""

import tomllib

import pytest

from arcdrift.error_reasons import CLASSES, WORD_LIST, ErrorReasons, class_from_words
from arcdrift.errors import BadInput
from arcdrift.settings import Crew, load_crew

LANGUAGES = tomllib.loads(WORD_LIST.read_text(encoding="utf-8"))
LOGGED = {
    "CLEAVE ANGLE (L) 4.2 deg": "cleave_angle",
    "CleaveShape": "cleave_shape",
    "Z position out of range": "fiber_position",
    "left fiber: not detected": "fiber_not_seen",
    "Dust on fibre": "fiber_not_seen",
    "Core offset": "alignment",
    "No arc": "arc",
    "RESET KEY": "stopped",
    "loss 0.41 dB too high": "other",
    "Brechwinkel rechts 5,1°": "cleave_angle",
    "Bruchfläche": "cleave_shape",
    "Faserposition links": "fiber_position",
    "Rechte Faser verschmutzt": "fiber_not_seen",
    "Kernversatz zu groß": "alignment",
    "Lichtbogenfehler": "arc",
    "Abbruch von Hand": "stopped",
    "angle de clivage trop grand": "cleave_angle",
    "mauvais clivage gauche": "cleave_shape",
    "fibre mal placée": "fiber_position",
    "défaut d'alignement": "alignment",
    "arrêt manuel": "stopped",
    "ángulo de corte": "cleave_angle",
    "corte malo": "cleave_shape",
    "sin fibra izquierda": "fiber_not_seen",
    "descarga": "arc",
    "posizione della fibra": "fiber_position",
    "fibra sporca": "fiber_not_seen",
    "elettrodi": "arc",
    "ângulo de clivagem": "cleave_angle",
    "pó na fibra": "fiber_not_seen",
    "cancelado pelo operador": "stopped",
}


def test_reasons_of_logs_in_six_languages():
    reasons = ErrorReasons({})
    assert {text: reasons.known_class(text) for text in LOGGED} == LOGGED


def test_every_language_has_words_of_every_class():
    assert len(LANGUAGES) == 6
    for language, words in LANGUAGES.items():
        assert words.keys() == CLASSES.keys(), language
        assert all(words.values()), language


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_listed_word_alone_is_of_its_class(language):
    """Also across languages: no word stands for two classes."""
    reasons = ErrorReasons({})
    for name, words in LANGUAGES[language].items():
        for word in words:
            assert reasons.known_class(word.replace("*", "")) == name, word


def test_what_nobody_knows_has_no_class():
    reasons = ErrorReasons({})
    assert [reasons.known_class(text) for text in ("E12", "out of range", "", "?!")] == [None] * 4


def test_a_crews_own_words_come_first():
    reasons = ErrorReasons({"E-12": "arc", "angle": "other", "位置": "fiber_position"})
    assert reasons.known_class("Error E12") == "arc"
    assert reasons.known_class("cleave angle") == "other"
    assert reasons.known_class("位置") == "fiber_position"
    assert reasons.known_class("Error E13") is None


def test_crew_toml_names_classes_in_words(tmp_path):
    (tmp_path / "crew.toml").write_text(
        'name = "x"\n[error_reasons]\n"FIBER POS" = "Fiber position"\n"E 3" = "arc"\n'
    )
    own = load_crew(tmp_path).error_reasons
    assert own == {"FIBER POS": "fiber_position", "E 3": "arc"}
    assert Crew.model_validate(load_crew(tmp_path).model_dump(by_alias=True)).error_reasons == own


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ('"FIBER POS" = "fiber postion"', "the nearest is 'fiber position'"),
        ('"FIBER POS" = "rain"', "use one of cleave angle, cleave shape"),
        ('"--" = "arc"', "no letters or digits"),
    ],
)
def test_what_crew_toml_cannot_mean_is_refused(tmp_path, line, sentence):
    (tmp_path / "crew.toml").write_text(f'name = "x"\n[error_reasons]\n{line}\n')
    with pytest.raises(BadInput, match=sentence):
        load_crew(tmp_path)


def test_ids_are_words_too():
    assert [class_from_words(name) for name in CLASSES] == list(CLASSES)
