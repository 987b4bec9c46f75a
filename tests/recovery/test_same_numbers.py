"""One number of one splicer, everywhere it is told: pages, commands, JSON and findings agree."""

import json
import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pandas as pd
import pytest

from arcdrift.cli.commands.advise import advise
from arcdrift.cli.commands.prep import prep
from arcdrift.digest.digest_forms import plain_text
from arcdrift.digest.digest_from_store import crew_news
from arcdrift.digest.digest_words import digest_words
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import shown
from tests.dashboard.reports.reported import made
from tests.dashboard.reports.reported import told as on_paper
from tests.recovery.conftest import SAMPLE, Sample

WORN, LAST_POSITION, DRIFTING = "Dunlin", "Lapwing", "Plover"


@pytest.fixture(scope="module")
def folder(sample: Sample) -> Path:
    return Path(str(sample.engine.url.database)).parent


@pytest.fixture(scope="module")
def crew_data(folder: Path) -> CrewData:
    return CrewData(folder)


@pytest.fixture
def printed(capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """What a command prints, in one line."""

    def run(command: Callable[..., None], *arguments: object, **options: object) -> str:
        command(*arguments, **options)
        return " ".join(capsys.readouterr().out.split())

    return run


@pytest.mark.parametrize(
    "splicer",
    [WORN, *(pytest.param(name, marks=pytest.mark.long) for name in (LAST_POSITION, DRIFTING))],
)
def test_each_quantity_has_one_value(
    splicer: str,
    sample: Sample,
    crew_data: CrewData,
    folder: Path,
    printed: Callable[..., str],
) -> None:
    page = shown(crew_data, "/splicer", f"?splicer={splicer}")
    command = printed(advise, splicer, folder=folder)
    document = json.loads(printed(advise, splicer, folder=folder, as_json=True))
    items = {item["what"]: item["numbers"] for item in document["start_of_day"]}
    own = [f.summary for f in sample.review.findings if f.subject_id == splicer]
    cleaver = items["Blade"]["cleaver"]
    blade_rows = [
        re.search(rf"\b{cleaver} {whose}(.*?cleaves left)", text)
        for whose, text in (
            (r"\d+ % used ", shown(crew_data, "/upkeep")),
            (f"{splicer} ", printed(prep, folder=folder)),
        )
    ]
    told = " ".join([page, command, *own, *(row.group(1) for row in blade_rows if row)])
    assert all(blade_rows)

    assert set(re.findall(r"([\d,]+) arcs left", told)) == {f"{items['Electrodes']['arcs_left']:,}"}
    assert len(set(re.findall(r"arcs left, (about [\d,]+ to [\d,]+ workdays)", told))) == 1
    assert told.count("arcs left") >= 3  # the list, the card of electrodes, the command
    assert set(re.findall(r"about ([\d,]+) cleaves left", told)) == {
        f"{items['Blade']['cleaves_left']:,}"
    }
    assert told.count("cleaves left") == 4
    unit = document["required"]["unit"]
    needed = re.findall(
        rf"should be at ([\d.]+)|Setting needed ([\d.]+) {unit}|should be ([\d.]+) "
        r"|needs ([\d.]+)|Needed ([\d.]+) \(",
        told,
    )
    assert {value for values in needed for value in values if value} == {
        f"{document['required']['value']:.1f}"
    }
    assert len(needed) >= 4
    tolerance = re.findall(
        rf"off by more than ([\d.]+):|Tolerance ([\d.]+) {unit}|tolerance ([\d.]+) ", told
    )
    assert {value for values in tolerance for value in values if value} == {
        f"{document['tolerance']:.1f}"
    }
    in_force = re.findall(rf"is set to ([\d.]+)|Setting stored ([\d.]+) {unit}", told)
    assert {value.rstrip(".") for values in in_force for value in values if value} == {
        f"{document['setting']:g}"
    }


def test_worn_electrodes_are_told_once_with_the_arcs_by_now(
    sample: Sample, crew_data: CrewData
) -> None:
    (worn,) = [f for f in sample.review.findings if f.kind == "electrodes-worn"]
    assert worn.subject_id == WORN
    electrodes = crew_data.advice(WORN, None, None, None).electrodes
    assert electrodes is not None
    assert electrodes.arcs_left is not None
    # the last check was on Friday; the splices since have used up arcs as well
    assert worn.evidence["arcs_left"] == round(electrodes.arcs_left.value)
    assert worn.evidence["arcs_on_electrodes"] == electrodes.arcs
    assert f"(as of {sample.review.now:%Y-%m-%d})" in worn.summary


def test_the_last_position_of_a_blade_says_so(crew_data: CrewData) -> None:
    page = shown(crew_data, "/splicer", f"?splicer={LAST_POSITION}")
    assert "position 16 of 16" in page
    assert "last position: have a new blade ready" in page
    assert re.search(r"New blade C\d+ \d+ % used Position 16 of 16", shown(crew_data, "/upkeep"))


def test_a_rise_has_one_figure_everywhere(sample: Sample, crew_data: CrewData) -> None:
    """The rise of a whole splicer: its finding, its case, the pages of its program, the digest."""
    (risen,) = [
        finding
        for finding in sample.review.findings
        if finding.kind == "loss-raised" and finding.subject_id == "Dunlin"
    ]
    change = f"{100 * (risen.evidence['ratio'] - 1):.0f} %"
    since = "19 Oct 2026"
    (finding,) = [one for one in crew_data.findings() if one["id"] == risen.id]
    assert f"by {change} against" in finding["summary"]
    (case,) = [one for one in crew_data.cases() if one["title"].startswith("Dunlin: loss up")]
    assert case["title"] == f"Dunlin: loss up {change} since 19 Oct"
    page = shown(crew_data, "/loss", "?splicer=Dunlin&program=single-mode+adaptive")
    assert f"all programs up {change} since {since}" in page
    crew_page = shown(crew_data, "/loss")
    assert f"Risen: Dunlin, single-mode adaptive up {change} since {since}" in crew_page
    table = crew_data.result("result_streams", splicer="Dunlin", program="single-mode adaptive")
    assert table["change"].iloc[0] == pytest.approx(risen.evidence["ratio"] - 1)
    now = sample.review.now.to_pydatetime()
    news = crew_news(sample.engine, sample.crew, now, crew_data.zone().key)
    told = plain_text(digest_words(news.digest(now - timedelta(days=60))))
    assert f"Dunlin: loss up {change} since 19 Oct" in told
    # no other percentage of that rise stands anywhere on the page of the program
    others = set(re.findall(r"(?:up|risen by) (\d+ %) (?:since|against)", page))
    assert others == {change}


def test_paper_tells_the_numbers_of_the_pages(crew_data: CrewData) -> None:
    """A week, a shift: each change, share, verdict and setting is that of its page."""
    page, paper = shown(crew_data, "/week"), on_paper(made(crew_data, "week"))
    changes = re.findall(r"[▲▼ ][+\u2212]\d+ \([+\u2212]\d+ to [+\u2212]?\d+\) %", paper)
    assert len(changes) >= 8
    assert [change for change in changes if change.strip() not in page] == []
    for what in ("Arc checks in time", "Places right first time"):
        (share,) = re.findall(rf"{what} (\d+ \(\d+ to \d+\) %)", paper)
        assert f"{what} {share}" in page
    for state in ("new", "taken on", "waiting for the result"):
        (count,) = re.findall(rf"(\d+) {state}", paper.partition("Cases now")[2][:120])
        assert f"{count} {state}" in page
    sheet = on_paper(made(crew_data, "shift"))
    for splicer in crew_data.splicers():
        advice = crew_data.advice(splicer, None, None, None)
        assert advice.required is not None
        needed = f"{advice.required['value']:.1f} ± {advice.tolerance:.1f}"
        assert f"{advice.setting:g} {crew_data.unit(splicer)} {needed}" in sheet


def test_losses_on_paper_are_the_sums_of_the_results(crew_data: CrewData) -> None:
    """Of October 2026, by splicer and program from the stored days, and by place from the log."""
    days = crew_data.result("result_stream_days")
    october = days[days["day"].str.startswith("2026-10")]
    sums = october.groupby(["splicer", "program"])[["total", "splices"]].sum()
    paper = on_paper(made(crew_data, "month", month="2026-10"))
    for (splicer, program), row in sums.iterrows():
        mean = row["total"] / row["splices"]
        assert f"{splicer}, {program} {int(row['splices']):,} {mean:.3f} " in paper
    client = on_paper(made(crew_data, "client", month="2026-10"))
    log = pd.read_csv(SAMPLE / "splices.csv.gz", dtype=str)
    loss = pd.to_numeric(log["loss_db"], errors="coerce")
    inside = log["spliced_at"].str.startswith("2026-10") & (log["purpose"] == "production")
    left = log[inside & loss.notna() & (log["outcome"] == "done")].assign(loss=loss)
    closures = left.groupby(["site", left["location"].str.split("/").str[0]])["loss"]
    agreeing = [
        f"{site} {closure} {len(losses)} {losses.mean():.3f} 0.10 {losses.max():.2f}" in client
        for (site, closure), losses in closures
    ]
    # the others hold rows of the log that were set aside, or made again without a word for it
    assert sum(agreeing) / len(agreeing) > 0.9
    open_over = [
        row
        for row in crew_data.splices_to_revisit()
        if row["state"] != "made-again" and row["day"].startswith("2026-10")
    ]
    assert f"{len(open_over)} splices over the limit for a single one." in client
