"""A new crew folder: it loads as it stands, and nothing is overwritten."""

from pathlib import Path
from typing import Any

import pytest

from arcdrift.settings import Crew, Site, Splicer, load_crew
from tests.terminal import Terminal


def test_defaults_are_the_documented_ones(tmp_path: Path, arcdrift: Any) -> None:
    done = arcdrift("init", tmp_path / "north", "--name", "North", "--time-zone", "Europe/Oslo")
    assert done.code == 0
    assert load_crew(tmp_path / "north") == Crew(name="North", time_zone="Europe/Oslo")


def test_sites(tmp_path: Path, arcdrift: Any) -> None:
    place = tmp_path / "north"
    words = ["--site", "Harbor:12", "--site", 'Up "the" pass: 2740.5', "--site", "a:b:-3"]
    assert arcdrift("init", place, *words).code == 0
    sites = load_crew(place).sites
    heights = {name: site.elevation_m for name, site in sites.items()}
    assert heights == {"Harbor": 12, 'Up "the" pass': 2740.5, "a:b": -3}


def test_without_a_zone_it_says_what_follows(tmp_path: Path, arcdrift: Any) -> None:
    done = arcdrift("init", tmp_path / "north")
    assert "will be refused until time_zone is set" in done.out
    crew = load_crew(tmp_path / "north")
    assert (crew.name, crew.time_zone) == ("north", None)


def test_examples_in_the_comments_load(tmp_path: Path, arcdrift: Any) -> None:
    arcdrift("init", tmp_path / "north")
    path = tmp_path / "north" / "crew.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    # an example is a comment that holds a key or a table
    freed = [
        line.removeprefix("# ") if line.startswith("# ") and ("= " in line or "[" in line) else line
        for line in lines
    ]
    path.write_text("\n".join(freed), encoding="utf-8")
    crew = load_crew(tmp_path / "north")
    assert set(crew.splicers) == {"S-01"}
    assert set(crew.sites) == {"Harbor"}
    assert [program.program_class for program in crew.programs.values()] == ["self-adjusting"]


def test_never_overwrites(tmp_path: Path, arcdrift: Any) -> None:
    (tmp_path / "crew.toml").write_text("mine", encoding="utf-8")
    done = arcdrift("init", tmp_path)
    assert done.code == 2
    assert "left as it is" in done.sentence
    assert (tmp_path / "crew.toml").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--time-zone", "Mars/Olympus"], "Mars/Olympus"),
        (["--site", "Harbor"], "such as Harbor:12"),
        (["--site", "Harbor:high"], "such as Harbor:12"),
        (["--site", ":12"], "such as Harbor:12"),
        (["--site", "Harbor:99999"], "between -430 and 6,000 m"),
        (["--site", "Harbor:nan"], "between -430 and 6,000 m"),
        (["--name", ""], "The name is blank; write one."),
    ],
)
def test_refused(words: list[str], message: str, tmp_path: Path, arcdrift: Any) -> None:
    done = arcdrift("init", tmp_path / "north", *words)
    assert done.code == 2
    assert message in done.sentence
    assert not (tmp_path / "north").exists()


@pytest.fixture
def answering(monkeypatch: pytest.MonkeyPatch, arcdrift: Any) -> Any:
    """Run the program in a terminal with a person who types some lines."""

    def run(*words: Any, replies: list[str]) -> tuple[Any, str]:
        monkeypatch.setenv("TZ", "Europe/Oslo")
        with monkeypatch.context() as patch:
            err = Terminal()
            patch.setattr("sys.stdin", Terminal("".join(f"{reply}\n" for reply in replies)))
            patch.setattr("sys.stderr", err)
            return arcdrift(*words), err.getvalue()

    return run


def test_it_asks_in_a_terminal_and_asks_again(answering: Any, tmp_path: Path) -> None:
    replies = [
        "Our crew", "Mars/Olympus", "", "Depot", "99999", "120", "Pass", "", "Depot", "",
        "S-01", "depot", "Depot", "%", "S-02", "-", "", "",
    ]  # fmt: skip
    done, err = answering("init", tmp_path / "north", replies=replies)
    assert done.code == 0
    assert load_crew(tmp_path / "north") == Crew(
        name="Our crew",
        time_zone="Europe/Oslo",
        sites={"Depot": Site(elevation_m=120), "Pass": Site()},
        splicers={
            "S-01": Splicer(home_site="Depot", setting_unit="%"),
            "S-02": Splicer(),
        },
    )
    for sentence in (
        "The time zone 'Mars/Olympus' is not known",
        "'99999' is no height above the sea; it must lie between -430 and 6,000 m",
        "The site Depot stands there twice",
        "The home site 'depot' is not one of the sites; did you mean Depot?",
    ):
        assert sentence in err
    text = (tmp_path / "north" / "crew.toml").read_text(encoding="utf-8")
    assert "# One block for each splicer, named as in the logs." in text


def test_enter_takes_the_suggestions(answering: Any, tmp_path: Path) -> None:
    done, _ = answering("init", tmp_path / "north", replies=["", "", "", ""])
    assert done.code == 0
    assert load_crew(tmp_path / "north") == Crew(name="north", time_zone="Europe/Oslo")


def test_what_options_say_is_not_asked(answering: Any, tmp_path: Path) -> None:
    words = ["--name", "N", "--time-zone", "Asia/Kolkata", "--site", "Harbor:12"]
    done, err = answering("init", tmp_path / "north", *words, replies=["S-01", "", "", ""])
    assert done.code == 0
    assert "Name of the crew" not in err
    crew = load_crew(tmp_path / "north")
    assert (crew.name, crew.time_zone, list(crew.sites)) == ("N", "Asia/Kolkata", ["Harbor"])
    assert crew.splicers == {"S-01": Splicer(home_site="Harbor")}


def test_yes_asks_nothing(answering: Any, tmp_path: Path) -> None:
    done, err = answering("init", tmp_path / "north", "--yes", replies=[])
    assert done.code == 0
    assert err == ""
    assert load_crew(tmp_path / "north") == Crew(name="north")


def test_leaving_amid_the_questions_writes_nothing(answering: Any, tmp_path: Path) -> None:
    done, err = answering("init", tmp_path / "north", replies=["Our crew"])
    assert done.code == 2
    assert "nothing was written" in err
    assert not (tmp_path / "north").exists()
