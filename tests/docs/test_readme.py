"""Every ``arcdrift ...`` command in the documents is one the program understands."""

import re
import shlex
import subprocess
from pathlib import Path

import pytest
import typer

from arcdrift.cli.command_tree import app

ROOT = Path(__file__).parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
PLACEHOLDERS = {"ID": "1", "DIR": "crew", "FILE": "log.csv", "FILE...": "log.csv", "TO": "file"}
FENCED = re.compile(r"^```(?:sh|bash|console)?\n(.*?)^```", re.MULTILINE | re.DOTALL)
PATH_BEFORE = r"(?:[.\w/\\-]*[/\\])?"


def commands(text: str) -> list[list[str]]:
    """Arguments of every arcdrift command in fenced lines and in inline code."""
    fenced = [
        part.strip()
        for block in re.findall(
            r"^```(?:sh|bash|console)?\n(.*?)^```", text, re.MULTILINE | re.DOTALL
        )
        for line in block.replace("\\\n", " ").splitlines()
        for part in re.split(r"&&|\|\||[|;]", line)
    ]
    inline = re.findall(r"(?<!`)`([^`\n]+)`(?!`)", text)
    found = []
    for words in (*fenced, *inline):
        match = re.match(rf"(?:\$ )?{PATH_BEFORE}arcdrift(?: (?P<rest>.*))?$", words)
        if match and match["rest"] and not words.startswith("arcdrift/"):
            arguments = shlex.split(match["rest"], comments=True)
            found.append([PLACEHOLDERS.get(word, word) for word in arguments])
    return found


def parse(arguments: list[str]) -> None:
    """Parse a command line down to its last command, without running anything."""
    command, name, parent = typer.main.get_command(app), "arcdrift", None
    while True:
        parent = command.make_context(name, arguments, parent=parent)
        rest = [*getattr(parent, "_protected_args", []), *parent.args]
        if not hasattr(command, "commands") or not rest:
            return
        name, command, arguments = command.resolve_command(parent, rest)


ALL = [
    pytest.param(arguments, id=f"{document}: {' '.join(arguments)}")
    for document in DOCUMENTS
    if (ROOT / document).is_file()
    for arguments in commands((ROOT / document).read_text(encoding="utf-8"))
]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_document_is_there(document: str) -> None:
    assert (ROOT / document).is_file()


def test_readme_shows_the_commands_a_crew_needs() -> None:
    shown = {arguments[0] for arguments in commands((ROOT / "README.md").read_text("utf-8"))}
    needed = {"demo", "init", "import", "analyze", "findings", "checks", "advise", "serve"}
    assert needed <= shown


@pytest.mark.parametrize("arguments", ALL)
def test_command_parses(arguments: list[str]) -> None:
    parse(arguments)


def test_a_wrong_option_would_be_noticed() -> None:
    with pytest.raises(typer.TyperException, match="--nonsense"):
        parse(["checks", "--nonsense"])


def test_the_test_command_stands_behind_its_marker() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    program = re.search(r"awk '\n(.*?)' README\.md", script, re.DOTALL)
    assert program is not None
    found = subprocess.run(
        ["awk", program[1], "README.md"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert found.stdout == (
        "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest\n"
    )
