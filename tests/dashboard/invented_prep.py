"""Hand-made results on preparation for the invented crew: three people, one who stands out."""

import json

import numpy as np
import pandas as pd

PEOPLE = ("Alder", "Birch", "Cedar")
AT = pd.Timestamp("2025-04-14 06:00", tz="UTC").as_unit("us")
UNTIL = pd.Timestamp("2025-06-13 10:00", tz="UTC").as_unit("us")
EFFECTS = {"Alder": -0.08, "Birch": 0.31, "Cedar": -0.02}


def prep_results() -> dict[str, pd.DataFrame]:
    """Rows of every result table on prep."""
    return {
        "result_prep": pd.DataFrame({"id": [1], "document": [json.dumps(_document())]}),
        "result_people": _people(),
        "result_consistency": _consistency(),
        "result_shares": _shares(),
        "result_person_days": _days(),
        "result_shared_work": pd.DataFrame(
            [(name, splicer, 20, 800) for name in PEOPLE for splicer in ("Heron", "Kestrel")],
            columns=["technician", "splicer", "days", "splices"],
        ),
        "result_hands_by_machine": _hands(),
        "result_signatures": pd.DataFrame(
            [
                ("both-sides", "technician", "Birch", 0.6, 0.5, 0.7,
                 "angle against the median colleague", 1600, 40, AT, UNTIL,
                 "Cleave angles +60% against the median colleague on both sides."),
                ("cleave-run", "technician", "Birch", 1.2, 0.1, 4.4, "runs per 1,000 splices", 4,
                 1, AT, UNTIL, "1 run of bad cleaves, the longest of 4."),
            ],
            columns=["kind", "subject_type", "subject", "estimate", "low", "high", "unit",
                     "splices", "days", "since", "until", "words"],
        ),
        "result_cleave_runs": pd.DataFrame(
            {"splicer": ["Heron"], "technician": ["Birch"], "since": [AT], "until": [UNTIL],
             "length": [4], "worst_deg": [5.5], "cleaver": ["C1"], "blade_position": ["7"],
             "splices": ["[11, 12, 13, 14]"]}
        ),
        "result_angle_days": pd.DataFrame(
            [(kind, name, f"2025-06-{day:02}", 40, 1.4, 0.9, 1.1, 5.0, 1.5, 1.2, day > 11, day > 11)
             for kind, name in (("cleaver", "C9"), ("technician", "Birch")) for day in (11, 12)],
            columns=["subject_type", "subject", "day", "n", "ratio", "low", "high", "z",
                     "statistic", "limit", "alarm", "open"],
        ),
        "result_angle_shifts": pd.DataFrame(
            {"subject_type": ["cleaver"], "subject": ["C9"], "onset_day": ["2025-06-11"],
             "earliest_day": ["2025-06-10"], "latest_day": ["2025-06-12"],
             "first_alarm_day": ["2025-06-12"], "last_day": ["2025-06-12"], "since": [AT],
             "until": [UNTIL], "ended": [False], "ratio": [1.4], "low": [1.3], "high": [1.5],
             "latest_ratio": [1.5], "splices": [80]}
        ),
        "result_sign_offs": pd.DataFrame(
            {"technician": ["Cedar"], "attempt": [1], "verdict": ["keep practicing"],
             "since": [AT], "until": [UNTIL], "splices": [30], "more": [21],
             "measures": [json.dumps([
                 {"measure": "loss", "answer": "open", "splices": 30, "bad": 1,
                  "good_share": 0.08, "poor_share": 0.2, "limit": 0.1, "more": 21}])]}
        ),
        "result_blades": pd.DataFrame(
            {"cleaver": ["C1"], "splicers": ["Heron"], "position": ["7"], "cleaves": [1100.0],
             "cleaves_per_position": [1000], "since": [AT], "until": [UNTIL],
             "cleaves_a_day": [80.0], "days_left": [-1.25], "worn_positions": [1],
             "positions_used": [np.nan]}
        ),
    }  # fmt: skip


def _document() -> dict[str, object]:
    promise = {"measure": "loss", "share": 0.08, "pass": 0.99, "fail": 0.01, "undecided": 0.0,
               "splices": 53.0}  # fmt: skip
    swap = {"technician": "Cedar", "splicer": "Plover", "days": 9, "splices": 180,
            "half_width": 0.1, "reason": "Cedar on Plover for 9 days"}  # fmt: skip
    return {
        "refusal": None, "sets": 2, "told_apart": ["technician", "splicer"], "swaps": [swap],
        "not_told_apart": ["Each cleaver was used with one splicer only: a splicer's figure is "
                           "that of both."],
        "shares": {"first_time": {"share": 0.01, "overdispersion": 1.2}}, "promises": [promise],
    }  # fmt: skip


def _people() -> pd.DataFrame:
    rows = [
        ("technician", name, measure, 40, 1600, 0, size * effect, size * effect - 0.05,
         size * effect + 0.05, float(effect > 0.1), None)
        for name, effect in EFFECTS.items()
        for measure, size in (("loss", 1.0), ("angle", 2.0), ("first_time", 1.5), ("errors", 0.5))
    ]  # fmt: skip
    rows += [
        ("splicer", name, "loss", 60, 2400, 0, effect, effect - 0.05, effect + 0.05, 0.0, None)
        for name, effect in (("Heron", 0.1), ("Kestrel", -0.1))
    ]
    rows.append(("splicer", "Plover", "loss", 3, 60, 1, *[None] * 4, "only 3 days of work"))
    columns = ["who", "name", "measure", "days", "splices", "connected", "effect", "low", "high",
               "sure", "note"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _hands() -> pd.DataFrame:
    rows = [
        (name, splicer, cleaver, measure, 20, 800, 2, size * effect, size * effect - 0.1,
         size * effect + 0.1)
        for name, effect in EFFECTS.items()
        for splicer, cleaver in (("Heron", "C1"), ("Kestrel", "C2"))
        for measure, size in (("loss", 1.0), ("angle", 2.0))
    ]  # fmt: skip
    columns = ["technician", "splicer", "cleaver", "measure", "days", "splices", "colleagues",
               "effect", "low", "high"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _consistency() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "technician": PEOPLE, "measure": "angle", "days": 40, "splices": 1600,
            "freedom": 1560.0, "sd": [0.3, 0.4, 0.3], "crew_sd": 0.31, "ratio": [0.97, 1.3, 0.98],
            "low": [0.93, 1.24, 0.94], "high": [1.01, 1.36, 1.02], "sure": [0.0, 1.0, 0.0],
            "note": None,
        }
    )  # fmt: skip


def _shares() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "technician": PEOPLE, "measure": "first_time", "n": [1600, 1600, 200],
            "observed": [15, 52, 4], "expected": [24.0, 24.0, 3.0],
            "share": [0.009, 0.033, 0.02], "low": [0.005, 0.005, 0.0],
            "high": [0.016, 0.016, 0.03],
        }
    )  # fmt: skip


def _days() -> pd.DataFrame:
    rng = np.random.default_rng(7)
    day = pd.date_range("2025-04-15", periods=40).strftime("%Y-%m-%d")
    parts = [
        pd.DataFrame(
            {
                "technician": name, "day": day, "splices": 40,
                "loss_db": 0.03 * (1 + effect) * (1 + 0.1 * rng.standard_normal(40)),
                "angle_deg": 0.7 * (1 + 2 * effect), "angle_spread": 0.31 + 0.03 * effect,
                "loss_level": effect + 0.1 * rng.standard_normal(40),
                "angle_level": 2 * effect + 0.05 * rng.standard_normal(40), "freedom": 39.0,
                "bad": 0, "places": 40, "again": 1, "errors": 0,
            }
        )
        for name, effect in EFFECTS.items()
    ]  # fmt: skip
    return pd.concat(parts, ignore_index=True)
