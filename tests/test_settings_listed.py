"""data/README.md lists every setting of crew.toml with the value it has unless set."""

import re
from pathlib import Path
from typing import Any, get_args, get_origin

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from arcdrift.settings import Crew, Interval

README = Path(__file__).parents[1] / "data" / "README.md"
SECTIONS = {
    "sites": "[sites.NAME]",
    "stations": "[stations.NAME]",
    "splicers": "[splicers.NAME]",
    "setting_limits": "[setting_limits.MODEL]",
    "programs": "[programs.NAME]",
    "service": "[service.ACTION]",
    "acceptance.overrides": "[[acceptance.overrides]]",
    "allowed_programs": "[[allowed_programs]]",
    "heater_programs": "[[heater_programs]]",
    "digest.readers": "[[digest.readers]]",
}
IN_WORDS = {
    ("", "store"),
    ("[splicers.NAME]", "tolerance"),
    ("[sites.NAME]", "time_zone"),
    ("[[acceptance.overrides]]", "program"),
    ("[[acceptance.overrides]]", "fibers"),
    ("[[acceptance.overrides]]", "average_db"),
    ("[[acceptance.overrides]]", "single_db"),
    ("[[digest.readers]]", "subjects"),
    ("[digest.smtp]", "port"),
}
"""Keys without a value of their own, of which the table says what counts instead."""


def listed() -> dict[str, dict[str, str]]:
    """Value unless set, by section and key, as the table has them."""
    text = README.read_text(encoding="utf-8").split("## crew.toml")[1].split("\n## ")[0]
    rows = re.findall(r"^\| `([^`]+)` \|([^|]*)\|", text, re.MULTILINE)
    found: dict[str, dict[str, str]] = {"": {}}
    section = ""
    for key, value in rows:
        if key.startswith("["):
            section = key
            assert section not in found
            found[section] = {}
        else:
            assert key not in found[section], f"{key} stands twice in {section}"
            found[section][key] = value.strip()
    return found


def model_in(annotation: Any) -> type[BaseModel] | None:
    """Model of a field, of its items, or of its values."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((one for arg in get_args(annotation) if (one := model_in(arg))), None)


def written(field: FieldInfo) -> str:
    """Value unless set, as TOML has it."""
    if field.is_required() or field.default is PydanticUndefined:
        return "must be set"
    value = field.default
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


def known(model: type[BaseModel], path: str = "") -> dict[str, dict[str, str]]:
    """The same as `listed`, as the program has it."""
    section = SECTIONS.get(path, f"[{path}]" if path else "")
    found: dict[str, dict[str, str]] = {section: {}}
    for name, field in model.model_fields.items():
        key = field.alias or name
        inner = model_in(field.annotation)
        if inner is Interval:  # one section for every action
            found[section] = dict.fromkeys(Interval.model_fields, "")
        elif get_origin(field.annotation) is dict and inner is None:  # words of the crew's own
            found[f"[{key}]"] = {'"WORDS"': "none"}
        elif inner is not None:
            found |= known(inner, f"{path}.{key}".lstrip("."))
        else:
            found[section][key] = written(field)
    return found


def test_every_setting_is_listed_with_its_value() -> None:
    told, true = listed(), known(Crew)
    assert told.keys() == true.keys()
    for section, keys in true.items():
        assert told[section].keys() == keys.keys(), section
        for key, value in keys.items():
            if (section, key) not in IN_WORDS:
                assert told[section][key] == value, f"{section} {key}"


@pytest.mark.parametrize("action", ["cleaned", "v-grooves cleaned", "factory service"])
def test_intervals_of_service_are_told(action: str) -> None:
    due = Crew(name="x").service.by_action[action]
    row = next(
        line for line in README.read_text(encoding="utf-8").splitlines() if "`[service." in line
    )
    words = f"{action} {due.days:.0f} days"
    assert words + (f" or {due.splices:,} splices" if due.splices else "") in row
