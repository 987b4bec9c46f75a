"""Hand-made results on errors, holding, haste and splices made again, for the invented crew."""

import pandas as pd

SINCE = pd.Timestamp("2025-04-20 07:00", tz="UTC").as_unit("us")
UNTIL = pd.Timestamp("2025-06-12 11:30", tz="UTC").as_unit("us")


def attempt_results() -> dict[str, pd.DataFrame]:
    """Rows of every result table on attempts."""
    hints = pd.DataFrame(
        [
            ("position", "splicer", "Kestrel", "", "points to", 24, 900, 6.2, 3.9, 2.1, 7.2, 3,
             "", ""),
            ("position", "technician", "Birch", "", "points to", 18, 700, 5.0, 3.6, 1.9, 6.8, 2,
             "", ""),
            ("alignment", "splicer", "Plover", "", "not separable", 9, 300, 2.0, 4.5, 2.0, 9.8, 1,
             "technician", "Cedar"),
            ("cleave", "blade", "C1", "7", "points to", 12, 200, 2.0, 5.8, 2.4, 14.0, 3, "", ""),
        ],
        columns=[
            "kind", "subject_type", "subject", "detail", "verdict", "errors", "attempts",
            "expected", "ratio", "low", "high", "evidence", "apart_type", "apart_from",
        ],
    )  # fmt: skip
    shares = pd.DataFrame(
        [
            (kind, name, reason, errors, 900, 0.01, 0.04, 8, 1500)
            for kind, name in (("splicer", "Kestrel"), ("technician", "Birch"))
            for reason, errors in (("fiber_position", 24), ("cleave_angle", 3), ("arc", 0))
        ],
        columns=[
            "subject_type", "subject", "class", "errors", "attempts", "low", "high",
            "other_errors", "other_attempts",
        ],
    )  # fmt: skip
    errors = pd.DataFrame(
        [
            (900 + number, UNTIL - pd.Timedelta(days=number), "Kestrel", who, "C1", "7",
             "single-mode fixed", "clamp", "Harbor", f"2025-06-{12 - number:02}", "fiber_position")
            for number, who in enumerate(("Alder", "Birch", "Birch", "Cedar"))
        ],
        columns=[
            "splice_id", "spliced_at", "splicer", "technician", "cleaver", "blade_position",
            "program", "holding", "site", "day", "class",
        ],
    )  # fmt: skip
    held = [
        ("errors", 0.02, 0.03, 1.5, 1.1, 2.1), ("angle", 0.7, 0.72, 1.03, 0.98, 1.08),
        ("spread", 0.31, 0.33, 1.06, 0.99, 1.14), ("loss", 0.03, 0.031, 1.02, 0.9, 1.15),
    ]  # fmt: skip
    holding = pd.DataFrame(
        [
            (kind, name, *row, 800, 700, 40)
            for kind, name in (("crew", "crew"), ("technician", "Birch"))
            for row in held
        ],
        columns=[
            "subject_type", "subject", "measure", "clamp", "holder", "ratio", "low", "high",
            "clamp_n", "holder_n", "days",
        ],
    )  # fmt: skip
    haste = pd.DataFrame(
        [
            ("Birch", measure, *row, 400, 380, 38, 3.4, 6.1)
            for measure, row in (
                ("again", (0.05, 0.03, 1.7, 1.1, 2.6)),
                ("angle", (0.74, 0.7, 1.05, 0.97, 1.14)),
                ("loss", (0.032, 0.03, 1.06, None, None)),
            )
        ],
        columns=[
            "technician", "measure", "fast", "slow", "ratio", "low", "high", "fast_n", "slow_n",
            "days", "fast_min", "slow_min",
        ],
    )  # fmt: skip
    again = pd.DataFrame(
        [
            ("Kestrel", "2025-06-10", "fiber_position", 5, 24.0, 1, 6.0, 2),
            ("Kestrel", "2025-06-03", "over_limit", 3, 61.0, 0, 3.0, 0),
            ("Heron", "2025-05-20", "no_reason", 2, 10.0, 0, 2.0, 0),
        ],
        columns=[
            "splicer", "day", "cause", "attempts", "minutes", "untimed", "arcs", "uncounted",
        ],
    )  # fmt: skip
    return {
        "result_error_hints": hints.assign(since=SINCE, until=UNTIL),
        "result_error_shares": shares,
        "result_error_splices": errors,
        "result_holding": holding,
        "result_haste": haste,
        "result_made_again": again,
    }
