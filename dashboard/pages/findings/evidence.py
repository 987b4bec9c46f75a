"""A finding's evidence as labels and values with their units."""

from typing import Any

from arcdrift.wording import capitalized, probability_text, screen_text

UNITS_BY_SUFFIX = {
    "db": "dB",
    "pct": "%",
    "deg": "°",
    "um": "µm",
    "hpa": "hPa",
    "c": "°C",
    "min": "min",
}
LABELS: dict[str, tuple[str, str]] = {
    "alarm_ewma": ("Evidence at the alarm", ""),
    "alarm_limit": ("Limit", ""),
    "arcs_left": ("Arcs left when assessed", ""),
    "arcs_on_electrodes": ("Arcs on these electrodes when assessed", ""),
    "average_limit_db": ("Accepted on average", "dB"),
    "cleaves_left": ("Cleaves left when assessed", ""),
    "attempts_since": ("Attempts since", ""),
    "days": ("Workdays concerned", ""),
    "electrode_life_arcs": ("Arcs the electrodes are set to last", ""),
    "first_over": ("First one", ""),
    "highest_db": ("Highest loss", "dB"),
    "hours_since_check": ("Hours since the check", ""),
    "humidity_pct_at_check": ("Humidity at the check", "%"),
    "humidity_pct_now": ("Humidity now", "%"),
    "last_over": ("Last one", ""),
    "latest_locations": ("Where the latest lie", ""),
    "last_position": ("Last position of the blade", ""),
    "loss_before_db": ("Loss before, high values capped", "dB"),
    "loss_since_db": ("Loss since, high values capped", "dB"),
    "mean_db": ("Mean loss", "dB"),
    "mean_high_db": ("Mean loss, upper end of the 95 % interval", "dB"),
    "mean_low_db": ("Mean loss, lower end of the 95 % interval", "dB"),
    "not_told_if_made_again": ("Of these, perhaps made again: the log cannot tell", ""),
    "pressure_hpa_at_check": ("Pressure at the check", "hPa"),
    "pressure_hpa_now": ("Pressure now", "hPa"),
    "probability_off": ("Chance of being off by more than the tolerance", ""),
    "ratio": ("Loss since, as a multiple of before", ""),
    "single_limit_db": ("Accepted of one splice", "dB"),
    "temperature_c_at_check": ("Temperature at the check", "°C"),
    "temperature_c_now": ("Temperature now", "°C"),
    "sd_from_forecast": ("Distance from the forecast, in standard deviations", ""),
    "setting_found": ("Setting the check found", ""),
    "setting_forecast": ("Setting forecast", ""),
    "setting_next": ("Setting the next check found", ""),
    "workdays_left_low": ("Workdays left when assessed, at least", ""),
    "workdays_left_high": ("Workdays left when assessed, at most", ""),
    "workdays_in_span": ("Workdays around then", ""),
}
"""Label and unit of evidence entries whose key does not make a clear label."""
IN_SETTING_UNIT = ("unexplained_change", "setting_found", "setting_forecast", "setting_next")


def evidence_facts(evidence: dict[str, Any]) -> list[tuple[str, str]]:
    """Return labels and values of a finding's evidence."""
    unit = evidence.get("setting_unit")
    return [
        (name, f"{value} {unit}" if key in IN_SETTING_UNIT and unit else value)
        for key, entry in evidence.items()
        if key != "setting_unit"
        for name, value in [evidence_words(key, entry)]
    ]


def evidence_words(key: str, value: Any) -> tuple[str, str]:
    """Return a label and a value with its unit from an evidence entry such as ``loss_db``."""
    stem, _, last = key.rpartition("_")
    unit = UNITS_BY_SUFFIX.get(last, "") if stem else ""
    plain = (stem if unit else key).replace("_", " ")
    name, unit = LABELS.get(key, (capitalized(plain), unit))
    if key == "probability_off":
        text = probability_text(value)
    elif isinstance(value, bool):
        text = "yes" if value else "no"
    elif isinstance(value, float):
        text = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:z.4g}"
    elif isinstance(value, list):
        text = ", ".join(str(item) for item in value)
    else:
        text = "not known" if value is None else str(value)
    return name, screen_text(f"{text} {unit}".strip())
