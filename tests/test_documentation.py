"""What is documented exists, and what exists is documented."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main
from typer.core import TyperGroup

from collector.config import Config
from dashboards.cli import build_app
from dashboards.settings import setting_lines

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def _commands() -> list[str]:
    group = typer.main.get_command(build_app())
    assert isinstance(group, TyperGroup)
    return sorted(group.commands)


@pytest.mark.parametrize("command", _commands())
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"`layday {command}" in README


@pytest.mark.parametrize("command", _commands())
def test_every_command_helps(command: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from dashboards.cli import main; main()", command, "--help"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.startswith(("Usage", "\n Usage"))


def test_every_command_of_the_readme_exists() -> None:
    told = set(re.findall(r"`layday ([a-z]+)", README))
    assert told <= set(_commands())


def test_every_setting_is_documented_and_every_documented_one_exists() -> None:
    rows = dict(re.findall(r"^\| `\[+(\w+)\]+` \| (.+) \|$", DEVELOPERS, flags=re.MULTILINE))
    told = {table: set(re.findall(r"`(\w+)`", row)) for table, row in rows.items()}
    there: dict[str, set[str]] = {}
    table = ""
    for line in setting_lines(Config()):
        if line.startswith("["):
            table = line.strip("[").split("]")[0]
            there[table] = set()
        elif line:
            there[table].add(line.split(" = ")[0])
    assert told == there


def test_the_readme_opens_with_the_job() -> None:
    first = README.split("\n\n")[1]
    assert "laminate boats by hand" in first


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_links_lead_somewhere(text: str) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        if "://" not in target:
            assert (ROOT / target).exists(), target
