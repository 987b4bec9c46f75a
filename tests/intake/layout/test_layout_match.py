"""Finding the one layout of a crew that fits a file."""

import gzip
from pathlib import Path

import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.layout.file_start import FileStart
from arcdrift.intake.layout.layout_match import crew_layouts, fitting_layout, layout_path

EXAMPLES = Path(__file__).parents[3] / "data" / "layouts"
SAMPLES = Path(__file__).parents[1] / "samples"


@pytest.fixture
def crew(tmp_path):
    """A crew folder with all the examples as its layouts."""
    (tmp_path / "layouts").mkdir()
    for path in EXAMPLES.glob("*.toml"):
        (tmp_path / "layouts" / path.name).write_bytes(path.read_bytes())
    return tmp_path


def found_in(crew, path, **options):
    return fitting_layout(crew_layouts(crew).layouts, FileStart(path, path.name), **options)


@pytest.mark.parametrize("path", sorted(SAMPLES.iterdir()), ids=lambda path: path.stem)
def test_each_sample_finds_its_own(crew, path):
    found = found_in(crew, path)
    assert found is not None
    assert found.name == f"{path.stem}.toml"
    assert found_in(crew, path, kind=found.kind).name == found.name
    other = "service" if found.kind != "service" else "readings"
    assert found_in(crew, path, kind=other) is None


@pytest.mark.parametrize(
    "written",
    [
        lambda text: text.encode("utf-8-sig"),
        lambda text: text.encode("utf-16"),
        lambda text: text.encode("cp1252"),
        lambda text: gzip.compress(text.encode()),
        # longer than what is looked at, in one and in two bytes a letter
        lambda text: (text + text.splitlines()[1] * 40_000 + "\n").encode(),
        lambda text: (text + (text.splitlines()[1] + "\n") * 20_000).encode("utf-16"),
        lambda text: gzip.compress((text + (text.splitlines()[1] + "\n") * 20_000).encode()),
    ],
)
def test_however_the_file_is_written(crew, tmp_path, written):
    path = tmp_path / "log"
    path.write_bytes(written((SAMPLES / "splice-log-german.csv").read_text(encoding="utf-8")))
    assert found_in(crew, path).name == "splice-log-german.toml"


def test_none_fits(crew, tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("splicer,spliced_at,loss_db\nHeron,2026-05-04 10:00,0.03\n")
    assert found_in(crew, path) is None
    assert found_in(tmp_path / "nowhere", path) is None
    assert found_in(crew, tmp_path / "absent.csv") is None
    assert found_in(crew, tmp_path) is None
    path.write_bytes(b"\x1f\x8b damaged")
    assert found_in(crew, path) is None


def test_several_fit(crew):
    folder = crew / "layouts"
    text = (folder / "weather-logger.toml").read_text(encoding="utf-8")
    (folder / "a.toml").write_text(f"skip_footer = 1\n{text}", encoding="utf-8")
    with pytest.raises(BadInput) as caught:
        found_in(crew, SAMPLES / "weather-logger.csv")
    assert str(caught.value) == (
        "Several layouts fit weather-logger.csv: a.toml and weather-logger.toml; say which with "
        "--layout."
    )


def test_layouts_that_say_the_same_are_one(crew):
    folder = crew / "layouts"
    text = (folder / "weather-logger.toml").read_text(encoding="utf-8")
    (folder / "a.toml").write_text(f"# of May\n{text}\n", encoding="utf-8")
    assert found_in(crew, SAMPLES / "weather-logger.csv").name == "a.toml"


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_layout_that_cannot_decode_a_file_does_not_fit_it(crew, tmp_path, newline):
    text = (crew / "layouts" / "weather-logger.toml").read_text(encoding="utf-8")
    layout = f'encoding = "utf-16"\n{text}'
    (crew / "layouts" / "weather-logger.toml").write_text(layout, encoding="utf-8")
    sizes = set()
    for rows in ("1", "12"):
        path = tmp_path / "log.csv"
        path.write_text(f"splicer,spliced_at,loss_db\nHeron,x,{rows}\n", newline=newline)
        sizes.add(path.stat().st_size % 2)
        assert found_in(crew, path) is None
    assert sizes == {0, 1}
    path.write_bytes((SAMPLES / "weather-logger.csv").read_text(encoding="utf-8").encode("utf-16"))
    assert found_in(crew, path).name == "weather-logger.toml"


def test_a_layout_that_is_broken_is_named_and_passed_over(crew):
    (crew / "layouts" / "broken.toml").write_text("kind = 'splices'\n")
    (sentence,) = crew_layouts(crew).refusals
    assert sentence == (
        "The layout broken.toml cannot be used: columns: Field required. It is passed over."
    )
    assert found_in(crew, SAMPLES / "weather-logger.csv").name == "weather-logger.toml"


def test_a_layout_by_its_name(crew):
    own = crew / "layouts" / "weather-logger.toml"
    assert layout_path(crew, Path("weather-logger")) == own
    assert layout_path(crew, Path("weather-logger.toml")) == own
    assert layout_path(crew, own) == own
    assert layout_path(crew, Path("absent")) == Path("absent")
