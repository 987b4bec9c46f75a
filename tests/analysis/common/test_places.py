"""Attempts at one place: hand-made logs of several kinds, and logs made of a known truth."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.common.places import Places, find_places

LIMIT_DB = 0.10
DAY = pd.Timestamp("2026-03-02")


def log_of(text: str, **columns: object) -> pd.DataFrame:
    """Splices of one splicer, one a line: outcome, loss, and values of the columns named first."""
    lines = [line.split() for line in text.strip().splitlines()]
    names, rows = lines[0], lines[1:]
    frame = pd.DataFrame(rows, columns=names)
    frame["loss_db"] = pd.to_numeric(frame["loss_db"], errors="coerce")
    for name in ("splice_number", "arc_count"):
        if name in frame:
            frame[name] = pd.to_numeric(frame[name], errors="coerce")
    for name in ("technician", "location"):
        if name in frame:
            frame[name] = frame[name].where(frame[name] != "-", None).astype("str")
    defaults = {"splicer": "Dunlin", "technician": "Ines", "program": "SM"}
    frame = frame.assign(**{k: v for k, v in (defaults | columns).items() if k not in frame})
    if "minute" in frame:
        minutes = pd.to_timedelta(frame["minute"].astype(float), unit="min")
    else:
        minutes = pd.to_timedelta(np.arange(len(frame)) * 3.0, unit="min")
    return frame.assign(spliced_at=DAY.tz_localize("UTC") + pd.Timedelta(hours=8) + minutes)


def places_of(splices: pd.DataFrame, limit: float = LIMIT_DB) -> Places:
    day = splices["spliced_at"].dt.tz_localize(None).dt.normalize()
    return find_places(splices, day, np.full(len(splices), limit))


def grouped(found: Places) -> list[list[int]]:
    """Rows of each place, in order."""
    rows = pd.Series(np.arange(len(found.place))).groupby(found.place).agg(list)
    return sorted(rows)


def test_places_by_location() -> None:
    found = places_of(
        log_of("""
        outcome loss_db location
        done    0.02    C1/1/1
        redo    0.30    C1/1/2
        error   nan     C1/1/2
        done    0.04    C1/1/2
        done    0.15    C1/1/3
        done    0.03    C1/1/4
        done    0.02    C1/1/5
        done    0.02    C1/1/6
        done    0.02    C1/1/7
        done    0.05    C1/1/3
        """)
    )
    assert grouped(found) == [[0], [1, 2, 3], [4, 9], [5], [6], [7], [8]]
    assert found.nth.tolist() == [1, 1, 2, 3, 1, 1, 1, 1, 1, 2]
    assert found.attempts.tolist() == [1, 3, 3, 3, 2, 1, 1, 1, 1, 2]
    assert found.first.sum() == found.assessed.sum() == 7
    assert found.right.tolist() == [True, *[False] * 4, *[True] * 4, False]


def test_good_splice_made_again_at_its_location_was_not_right() -> None:
    rows = [f"done 0.02 T{k}" for k in range(8)]
    found = places_of(log_of("\n".join(["outcome loss_db location", *rows, "done 0.02 T3"])))
    assert found.attempts[3] == 2
    assert found.right.sum() == 7
    assert not found.right[3]


@pytest.mark.parametrize("each", [2, 4, 12])
def test_locations_that_splices_share_are_not_places(each: int) -> None:
    """Drops of two fibers, or closures with more: every good splice is a place of its own."""
    rows = [f"done 0.0{k % 5} closure-{k // each}" for k in range(4 * each)]
    rows[1] = "redo 0.25 closure-0"  # and the next one there is its second attempt
    rows[each - 1 : each] = [rows[each - 1], "done 0.01 closure-0"]
    found = places_of(log_of("\n".join(["outcome loss_db location", *rows])))
    assert found.first.sum() == len(rows) - 1
    assert found.nth[2] == 2
    assert found.right.sum() == len(rows) - 2


def test_redo_at_one_closure_is_not_made_again_at_another() -> None:
    rows = [f"done 0.02 closure-{k // 7}" for k in range(14)]
    rows[6] = "redo 0.4 closure-0"
    found = places_of(log_of("\n".join(["outcome loss_db location", *rows])))
    assert found.first.all()
    assert np.flatnonzero(~found.right).tolist() == [6]


def test_number_that_counts_attempts_does_not_divide_a_place() -> None:
    """Rows say redo and error, and the number goes up with each of them."""
    found = places_of(
        log_of("""
        outcome loss_db splice_number
        done    0.02    101
        redo    0.30    102
        error   nan     103
        done    0.04    104
        done    0.15    105
        done    0.03    106
        error   nan     107
        """)
    )
    assert grouped(found) == [[0], [1, 2, 3], [4], [5], [6]]
    assert found.right.tolist() == [True, False, False, False, False, True, False]
    assert found.assessed.sum() == 5


def test_number_that_counts_places() -> None:
    """A redo keeps its number; one that was given up for the day stays alone."""
    found = places_of(
        log_of("""
        outcome loss_db splice_number
        done    0.02    17
        redo    0.30    18
        done    0.02    18
        done    0.02    19
        redo    0.22    20
        redo    0.35    20
        error   nan     21
        done    0.02    22
        done    0.18    23
        done    0.02    24
        done    0.03    23
        """)
    )
    assert grouped(found) == [[0], [1, 2], [3], [4, 5], [6], [7], [8, 10], [9]]
    assert np.flatnonzero(found.right).tolist() == [0, 3, 7, 9]


def test_numbers_that_begin_again_at_each_closure() -> None:
    closure = ["1 done 0.02", "2 redo 0.3", "2 done 0.04", *[f"{k} done 0.03" for k in range(3, 9)]]
    found = places_of(log_of("\n".join(["splice_number outcome loss_db", *closure * 3])))
    assert found.first.sum() == 24
    assert found.right.sum() == 21
    assert np.flatnonzero(found.nth == 2).tolist() == [2, 11, 20]


def test_number_that_never_changes_says_nothing() -> None:
    rows = ["0 done 0.02"] * 5 + ["0 redo 0.4"] + ["0 done 0.02"] * 4
    found = places_of(log_of("\n".join(["splice_number outcome loss_db", *rows])))
    assert np.flatnonzero(found.nth == 2).tolist() == [6]
    assert found.right.sum() == 8


def test_positions_by_satellite_are_not_places() -> None:
    """They differ with every attempt; four failures in a row of others tell."""
    outcomes = ["done 0.02", "redo 0.3", "done 0.03", "error nan", "done 0.02"] * 2
    rows = [f"{text} 51.{k}" for k, text in enumerate(outcomes)]
    found = places_of(log_of("\n".join(["outcome loss_db location", *rows])))
    assert np.flatnonzero(found.nth == 2).tolist() == [2, 4, 7, 9]
    assert found.right.sum() == 2


def test_without_location_or_number_order_by_person_and_program() -> None:
    """Two people take turns on one splicer; each one's redo is followed by their own next."""
    found = places_of(
        log_of("""
        outcome loss_db technician program
        redo    0.30    Ines       SM
        error   nan     Otto       SM
        done    0.02    Ines       SM
        done    0.02    Otto       SM
        redo    0.30    Ines       SM
        done    0.02    Ines       ribbon
        redo    0.30    -          SM
        done    0.02    -          SM
        """)
    )
    assert grouped(found) == [[0, 2], [1, 3], [4], [5], [6, 7]]
    assert np.flatnonzero(found.right).tolist() == [5]


def test_another_day_or_splicer_is_another_place() -> None:
    splices = log_of("""
        outcome loss_db location splicer minute
        redo    0.30    T1       Dunlin  0
        done    0.02    T1       Plover  5
        done    0.02    T1       Dunlin  1500
        """)
    found = places_of(splices)
    assert found.first.all()
    assert found.right.tolist() == [False, True, True]


def test_attempts_of_one_minute_are_in_order_of_their_counts() -> None:
    """A file with the newest row first, in minutes."""
    found = places_of(
        log_of("""
        outcome loss_db arc_count splice_number minute
        done    0.02    512       32            0
        redo    0.40    511       31            0
        done    0.02    510       30            0
        """)
    )
    assert found.nth.tolist() == [2, 1, 1]
    unnumbered = places_of(
        log_of("""
        outcome loss_db minute
        done    0.02    0
        error   nan     0
        """)
    )
    assert unnumbered.nth.tolist() == [2, 1]


def test_finished_splice_without_a_loss_is_not_assessed() -> None:
    found = places_of(
        log_of("""
        outcome loss_db location
        done    nan     T1
        done    nan     T2
        done    0.03    T2
        done    0.03    T3
        done    0.03    T4
        done    0.03    T5
        """)
    )
    assert found.assessed.tolist() == [False, True, False, True, True, True]
    assert found.right.tolist() == [False, False, False, True, True, True]


def test_loss_at_the_limit_is_accepted() -> None:
    limit = np.array([0.1, 0.05])
    splices = log_of("outcome loss_db location\ndone 0.1 T1\ndone 0.06 T2")
    day = splices["spliced_at"].dt.tz_localize(None).dt.normalize()
    assert find_places(splices, day, limit).right.tolist() == [True, False]


def test_no_splices() -> None:
    splices = log_of("outcome loss_db location\ndone 0.1 T1").iloc[:0]
    found = places_of(splices)
    assert [len(values) for values in vars(found).values()] == [0] * 5


def true_log(seed: int) -> tuple[pd.DataFrame, np.ndarray]:
    """Attempts of two splicers on six days, and the true number of each one's place."""
    rng = np.random.default_rng(seed)
    rows, place = [], 0
    for splicer in ("Dunlin", "Plover"):
        attempt = 1000
        for day in range(6):
            hour = 0
            for closure in range(3):
                for fiber in range(12):
                    failures = rng.geometric(0.9) - 1
                    for k in range(failures + 1):
                        attempt, hour = attempt + 1, hour + 4
                        failed = k < failures
                        outcome = ("redo", "error")[int(rng.random() < 0.3)] if failed else "done"
                        rows.append(
                            {
                                "splicer": splicer,
                                "spliced_at": DAY.tz_localize("UTC")
                                + pd.Timedelta(days=day, hours=7, minutes=hour),
                                "technician": "Ines" if closure < 2 else "Otto",
                                "program": "SM",
                                "outcome": outcome,
                                "loss_db": np.nan
                                if outcome == "error"
                                else 0.3
                                if failed
                                else 0.03,
                                "place_name": f"C{closure}/{fiber}",
                                "closure": f"C{closure}",
                                "fiber": float(fiber + 1),
                                "attempt": float(attempt),
                                "place": place,
                            }
                        )
                    place += 1
    frame = pd.DataFrame(rows)
    return frame, frame["place"].to_numpy()


KINDS = {
    "location names places": {"location": "place_name", "splice_number": "attempt"},
    "location names closures, number counts attempts": {
        "location": "closure",
        "splice_number": "attempt",
    },
    "location names closures, number its fibers": {"location": "closure", "splice_number": "fiber"},
    "number counts places": {"splice_number": "place"},
    "number counts attempts": {"splice_number": "attempt"},
    "number counts fibers of a closure": {"splice_number": "fiber"},
    "neither": {},
}


@pytest.mark.parametrize("kind", KINDS)
def test_truth_is_found_in_logs_of_each_kind(kind: str) -> None:
    """Failures are marked and made again at once: each kind of log then shows all of its places."""
    frame, truth = true_log(seed=4)
    logged = frame.assign(
        location=frame[KINDS[kind]["location"]] if "location" in KINDS[kind] else None,
        splice_number=(
            frame[KINDS[kind]["splice_number"]].astype(float)
            if "splice_number" in KINDS[kind]
            else np.nan
        ),
    )
    logged["location"] = logged["location"].astype("str")
    found = places_of(logged)
    assert (pd.factorize(found.place)[0] == pd.factorize(truth)[0]).all()
    failed = (frame["outcome"] != "done").groupby(truth).any()
    assert found.right.sum() == (~failed).sum()
    assert found.assessed.sum() == len(failed)


@pytest.mark.parametrize("kind", KINDS)
def test_neither_order_of_rows_nor_other_days_and_splicers_matter(kind: str) -> None:
    frame, _ = true_log(seed=5)
    logged = frame.assign(**{name: frame[column] for name, column in KINDS[kind].items()}).assign(
        number=np.arange(len(frame))
    )
    whole = places_of(logged)
    mixed = logged.sample(frac=1.0, random_state=1)
    found = places_of(mixed)
    back = mixed["number"].to_numpy()
    assert (found.nth == whole.nth[back]).all()
    assert (found.right == whole.right[back]).all()
    one = ((frame["splicer"] == "Plover") & (frame["spliced_at"].dt.day == 4)).to_numpy()
    part = places_of(logged[one])
    assert (part.nth == whole.nth[one]).all()
    assert (part.right == whole.right[one]).all()
