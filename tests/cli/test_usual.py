"""`arcdrift usual`: days left out and usual losses frozen from the command line."""

import pytest

WHY = ["--note", "wrong fiber on the reel", "--by", "Lead"]
OUT = ["usual", "exclude", "Heron", "--from", "2026-05-05", "--to", "2026-05-05", *WHY]


def test_days_are_left_out_listed_and_taken_back(analyzed, arcdrift):
    assert arcdrift("usual", "--json").data["marks"] == []
    done = arcdrift(*OUT)
    assert done.code == 0
    assert "Mark 1: Heron, all programs, 2026-05-05, left out" in done.out
    assert "It counts from the next `arcdrift analyze`." in done.out
    listed = arcdrift("usual")
    assert "wrong fiber on the reel (Lead)" in " ".join(listed.out.split())
    assert "or what people set, have changed since the last analysis" in listed.err
    assert arcdrift("analyze").code == 0
    result = arcdrift("usual", "--json").data
    # of Heron's three days of splices one no longer counts
    assert {row["splicer"]: row["days"] for row in result["streams"]} == {"Heron": 2, "Kestrel": 3}
    assert result["marks"][0]["action"] == "exclude"
    assert arcdrift("usual", "--undo", "1").code == 0
    again = arcdrift("usual", "--json")
    assert again.data["marks"] == []
    assert "or what people set, have changed since the last analysis" in again.err


def test_a_usual_loss_is_frozen_for_one_program_or_for_all(analyzed, arcdrift):
    mark = arcdrift("usual", "freeze", "Kestrel", "--program", "plain", "--from", "2026-05-04",
                   *WHY, "--json").data  # fmt: skip
    assert (mark["splicer"], mark["program"], mark["last_day"]) == ("Kestrel", "plain", None)
    every = arcdrift("usual", "freeze", "--all", "--from", "2026-05-04", "--to", "2026-05-06",
                     *WHY)  # fmt: skip
    assert "all splicers, all programs, 2026-05-04 to 2026-05-06, usual loss frozen" in " ".join(
        every.out.split()
    )


def test_the_former_name_still_does_the_same_and_is_not_in_the_help(analyzed, arcdrift):
    assert arcdrift("baseline", "--json").data == arcdrift("usual", "--json").data
    assert arcdrift("baseline", *OUT[1:]).code == 0
    assert " baseline " not in arcdrift("--help").out


def test_what_is_usual_is_listed_in_the_words_of_the_pages(analyzed, arcdrift):
    listed = arcdrift("usual").out
    assert "charted" not in listed
    assert "too few days" in listed


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["usual", "exclude", "Heran", *OUT[3:]], "did you mean Heron?"),
        ([*OUT, "--program", "plane"], "did you mean plain?"),
        ([*OUT, "--all"], "Name one splicer, or give --all"),
        (["usual", "exclude", *OUT[3:]], "Name one splicer, or give --all"),
        ([*OUT[:4], "2026-05-06", *OUT[5:]], "The last day, 2026-05-05, lies before the first"),
        ([*OUT[:4], "soon", *OUT[5:]], "--from soon is not a date"),
        ([*OUT[:-4], "--note", " ", "--by", "Lead"], "Say why and who"),
        (["usual", "--undo", "7"], "There is no mark 7; on record: none."),
    ],
)
def test_refused_in_a_sentence(words, message, analyzed, arcdrift):
    done = arcdrift(*words)
    assert done.code == 2
    assert message in done.sentence
