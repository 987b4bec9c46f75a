"""A digest as text, Markdown, HTML and JSON."""

import json
from dataclasses import replace
from html.parser import HTMLParser

from arcdrift.digest.digest_forms import markdown, plain_text, simple_html
from arcdrift.digest.digest_words import digest_json, digest_words, subject_line
from tests.digest.digest_rows import at, check, digest, found, rows, said, splice, view

HOSTILE = 'Dunlin <img src="http://x/"> *bold* [a](http://x)\r\nBcc: all@example.org\x1b[31m'


def full():
    return digest(
        rows(
            cases=[
                view(found("a1b2c3d4e5f6", at(17))),
                view(
                    found("b", at(10)),
                    said("b", "close", at(17), why="new fiber", how="not-a-fault"),
                ),
                view(found("c", at(10)), said("c", "take", at(17), by="Østen Birkeland")),
            ],
            check_days=[check(17), check(16, "Heron"), check(17, "Dunlin", "late")],
            revisit=[splice(at(17), number, loss_db=0.4 + number / 100) for number in range(12)],
            verdicts=lambda: {
                "Heron": "recalibrate", "Dunlin": "keep-working", "Tern": "keep-working",
            },
        )
    )  # fmt: skip


def test_plain_text_as_it_reads() -> None:
    text = plain_text(digest_words(full()))
    assert max(map(len, text.splitlines())) <= 78
    assert text.startswith(
        "Tarnwater: what is new since 17 Nov 2026, 00:00\n"
        "\n"
        "New (1)\n"
        "- Dunlin: loss up 45 % since 15 Nov [a1b2c3]\n"
        "  Next: Clean the v-grooves.\n"
        "\n"
        "Taken on (1)\n"
        "- Dunlin: loss up 45 % since 8 Nov [c]\n"
        "  17 Nov 2026, by Østen Birkeland.\n"
        "\n"
        "Closed (1)\n"
        "- Dunlin: loss up 45 % since 8 Nov [b]\n"
        "  17 Nov 2026, by Ash: not a fault: new fiber.\n"
        "\n"
        "Daily checks not in time (2)\n"
        "- 1 missed: Heron (17 Nov 2026)\n"
        "- 1 late: Dunlin (17 Nov 2026)\n"
        "\n"
        "Splices to revisit (12)\n"
        "- K1/7: 0.40 dB, 0.30 is accepted (Dunlin, 17 Nov 2026, 12:00)\n"
    )
    assert "- and 2 more\n" in text
    assert "Splicers now\n- Recalibrate: Heron\n- Keep working: 2\n" in text
    assert "2 cases are open in all. `arcdrift case show ID` tells more of one." in text
    assert "up 45&nbsp;% since" in simple_html(digest_words(full()))
    assert "never look into a fiber that may carry light" in " ".join(text.split())


def test_nothing_new_is_one_sentence() -> None:
    words = digest_words(digest(rows()))
    sentence = "Tarnwater: nothing is new since 17 Nov 2026, 00:00.\n"
    assert plain_text(words) == sentence
    assert markdown(words) == sentence
    assert digest_json(digest(rows()))["nothing_new"] is True


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag, attrs) -> None:
        self.found.add(tag)

    def handle_data(self, data) -> None:
        self.text += data


def test_names_from_logs_are_text_in_every_form() -> None:
    given = rows(
        cases=[view(found("a", at(17), title=HOSTILE))],
        check_days=[check(17, HOSTILE)],
        revisit=[splice(at(17), location=HOSTILE, splicer=HOSTILE)],
        verdicts=lambda: {HOSTILE: "recalibrate"},
    )
    made = replace(digest(given), crew=HOSTILE)
    words = digest_words(made)
    page = Tags()
    page.feed(simple_html(words))
    assert page.found == {
        "html", "head", "meta", "title", "style", "body", "h1", "h2", "ul", "li", "span", "p",
    }  # fmt: skip
    assert '<img src="http://x/">' in page.text
    assert "http" not in simple_html(digest_words(full()))  # nothing is loaded from elsewhere
    for text in (plain_text(words), markdown(words), simple_html(words), subject_line(made)):
        assert "\x1b" not in text
        assert "\r" not in text
        assert "\nBcc:" not in text
    assert "\n" not in subject_line(made)
    assert "\\*bold\\*" in markdown(words)
    assert "[a](" not in markdown(words)


def test_the_subject_tells_what_is_new_in_numbers() -> None:
    assert subject_line(full()) == "Tarnwater: 3 cases, 1 check missed, 12 splices to revisit"
    late = digest(rows(check_days=[check(17, "Dunlin", "late")]))
    assert subject_line(late) == "Tarnwater: 1 check not in time"
    assert len(subject_line(replace(full(), crew="x" * 500))) < 100


def test_json_carries_every_line() -> None:
    document = json.loads(json.dumps(digest_json(full())))
    assert [one["change"] for one in document["cases"]] == ["new", "taken-on", "closed"]
    assert document["checks"][0] == {
        "day": "2026-11-17", "splicer": "Dunlin", "status": "late", "splices_before": 3,
    }  # fmt: skip
    assert len(document["splices_to_revisit"]) == 12
    assert document["verdicts"] == {"recalibrate": ["Heron"], "keep-working": ["Dunlin", "Tern"]}
    assert document["since"] == "2026-11-17T00:00:00Z"
