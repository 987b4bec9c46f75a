"""The units, the container file and what is said of them name what the program has."""

import configparser
import json
import re
import shlex
import shutil
import subprocess
import sys
import threading
import tomllib
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

from tests.docs.test_readme import commands, parse

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "data" / "deploy"
PROGRAM = "/opt/arcdrift/bin/arcdrift"
SERVICES = sorted(DEPLOY.glob("*.service"))
UNITS = sorted([*SERVICES, *DEPLOY.glob("*.timer")])
HARDENED = {
    "NoNewPrivileges": "yes",
    "ProtectSystem": "strict",
    "ProtectHome": "yes",
    "PrivateTmp": "yes",
    "PrivateDevices": "yes",
    "CapabilityBoundingSet": "",
    "RestrictNamespaces": "yes",
    "SystemCallFilter": "@system-service",
    "UMask": "0077",
    "User": "arcdrift",
}


def lines(path: Path) -> list[tuple[str, str]]:
    """Key and value of each line of a unit."""
    pairs = (line.split("=", 1) for line in path.read_text("utf-8").splitlines() if "=" in line)
    return [(key, value) for key, value in pairs if not key.startswith("#")]


@pytest.mark.parametrize("path", SERVICES, ids=lambda path: path.name)
def test_what_a_unit_starts_is_a_command_of_the_program(path: Path) -> None:
    starts = [value for key, value in lines(path) if key == "ExecStart"]
    assert starts
    for words in starts:
        program, *arguments = shlex.split(words)
        assert program == PROGRAM
        parse(arguments)
    assert HARDENED.items() <= dict(lines(path)).items()
    folders = dict(lines(path))["StateDirectory"].split()
    named = re.findall(r"/var/lib/([\w-]+)", path.read_text("utf-8"))
    assert set(named) == set(folders)


def test_the_units_are_valid(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        for path in UNITS:
            parser = configparser.RawConfigParser(strict=False)
            parser.read_string(path.read_text("utf-8"))
            assert "Unit" in parser.sections()
        return
    for path in UNITS:
        text = path.read_text("utf-8").replace(PROGRAM, sys.executable)
        (tmp_path / path.name).write_text(text, encoding="utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *(str(tmp_path / path.name) for path in UNITS)],
        capture_output=True,
        text=True,
        check=False,
    )
    told = [line for line in done.stderr.splitlines() if str(tmp_path) in line]
    assert (done.returncode, told) == (0, []), done


def instructions() -> list[tuple[str, str]]:
    """Instructions of the container file with what follows them."""
    text = (DEPLOY / "Containerfile").read_text("utf-8").replace("\\\n", " ")
    pairs = (line.split(None, 1) for line in text.splitlines() if line and line[0] != "#")
    return [(word, rest.strip()) for word, rest in pairs]


def test_the_container_file_uses_what_is_there() -> None:
    found = instructions()
    assert all("/" not in rest.split()[0] for word, rest in found if word == "FROM")
    copied = [rest.split()[:-1] for word, rest in found if word == "COPY" and "--from" not in rest]
    sources = [name for names in copied for name in names]
    assert all((ROOT / name).exists() for name in sources)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert "postgresql" in project["project"]["optional-dependencies"]
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    needed = [*wheel["packages"], *wheel["force-include"], project["project"]["readme"]]
    assert {name.split("/")[0] for name in needed} <= set(sources)


def test_the_container_runs_as_nobody_in_particular() -> None:
    words = dict(instructions())
    assert words["USER"] == "10001:10001"
    assert words["VOLUME"] == "/crew"
    assert "ARCDRIFT_CREW=/crew" in words["ENV"]
    assert json.loads(words["ENTRYPOINT"]) == ["arcdrift"]
    parse(json.loads(words["CMD"]))


@pytest.mark.parametrize(("status", "code"), [(200, 0), (503, 1)])
def test_the_health_check_asks_the_dashboard(status: int, code: int) -> None:
    asked = []

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    check = dict(instructions())["HEALTHCHECK"].split("CMD ", 1)[1]
    python, *words = json.loads(check)
    assert python == "python"
    with HTTPServer(("127.0.0.1", 0), Answer) as server:
        threading.Thread(target=server.handle_request, daemon=True).start()
        words = [word.replace("8050", str(server.server_port)) for word in words]
        done = subprocess.run([sys.executable, *words], capture_output=True, check=False)
    assert (done.returncode, asked) == (code, ["/health"])


def test_what_is_said_of_them_can_be_typed() -> None:
    text = (DEPLOY / "README.md").read_text("utf-8")
    for arguments in commands(text):
        parse(arguments)
    named = re.findall(r"data/deploy/([\w.-]+)", text)
    assert named
    assert all((DEPLOY / name).is_file() for name in named)
    joined = text.replace("\\\n", " ")
    inside = re.findall(r"arcdrift ((?:init|user|serve|backup|import) [^|<`\n]*)", joined)
    assert len(inside) >= 6
    for words in inside:
        parse(shlex.split(words.replace("FILE", "x")))


@pytest.mark.parametrize(
    ("script", "code", "words"),
    [
        ('print(\'{"dependencies": [{"name": "a", "version": "1", "vulns": []}]}\')', 0, "1 packa"),
        (
            'print(\'{"dependencies": [{"name": "a", "version": "1", "vulns": '
            '[{"id": "V-1", "fix_versions": ["2"]}]}]}\'); raise SystemExit(1)',
            1,
            "a 1: V-1, fixed in 2",
        ),
        (
            'print(\'{"dependencies": [{"name": "a", "skip_reason": "not found"}]}\')',
            0,
            "NOT checked",
        ),
        ('raise SystemExit("ConnectionError: Failed to establish a new connection")', 0, "NOT che"),
        (
            # one known package is enough to be sure that the index answered
            'print(\'{"dependencies": [{"name": "a", "skip_reason": "not found"}, '
            '{"name": "b", "version": "1", "vulns": []}]}\')',
            0,
            "1 packages checked for known vulnerabilities, 0 have some, 1 are not in the index",
        ),
        ('raise SystemExit("no such option")', 1, "no such option"),
        ('raise SystemExit("in connectionpool.py, line 503\\nKeyError: 1")', 1, "no result"),
        ('print(\'{"dependencies": []}\')', 1, "no installed packages were found"),
    ],
    ids=[
        "none", "some", "unknown", "unreachable", "partly known", "wrong", "other error", "nothing",
    ],
)  # fmt: skip
def test_the_audit_fails_only_where_something_is_known(script: str, code: int, words: str) -> None:
    audit = [sys.executable, str(ROOT / ".ci" / "audit"), sys.executable, "-c", script]
    done = subprocess.run(audit, capture_output=True, text=True, check=False)
    assert (done.returncode, words in done.stdout) == (code, True), done


def test_the_run_for_lowest_versions_names_tests_that_are_there() -> None:
    script = (ROOT / ".ci" / "lowest").read_text("utf-8")
    named = re.findall(r"tests/[\w/.*]+", script)
    assert len(named) > 5
    assert all(list(ROOT.glob(name)) for name in named)
