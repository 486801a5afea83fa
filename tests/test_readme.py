"""The README: short enough to be read, and true of commands, options and links."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from rowcall.cli import main

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
MAX_LINES = 150
_BLOCK = re.compile(r"^ *```\w+\n(.*?)```", flags=re.M | re.S)


def calls(text: str) -> dict[str, set[str]]:
    """Return the options of each command that the code of a text calls."""
    code = [*_BLOCK.findall(text), *re.findall(r"`([^`\n]+)`", _BLOCK.sub("", text))]
    found: dict[str, set[str]] = {}
    for line in "\n".join(code).splitlines():
        if match := re.search(r'\browcall(?:\.exe\\")? ([a-z].*)', line):
            command, *words = match[1].split()
            found.setdefault(command, set()).update(w for w in words if w.startswith("--"))
    return found


def anchor(heading: str) -> str:
    return re.sub(r"[^\w\- ]", "", heading).strip().lower().replace(" ", "-")


def test_it_is_short_enough_to_be_read() -> None:
    assert len(README.splitlines()) <= MAX_LINES


def test_calls_are_found_in_blocks_and_in_sentences() -> None:
    text = "Run `rowcall look FILE` and rowcall as:\n   ```sh\n   x/rowcall nightly --quiet\n```\n"
    assert calls(text) == {"look": set(), "nightly": {"--quiet"}}


@pytest.mark.parametrize(("command", "options"), calls(README).items())
def test_its_commands_and_their_options_exist(
    command: str, options: set[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    assert options <= set(re.findall(r"--[a-z-]+", capsys.readouterr().out))


def test_its_links_lead_somewhere() -> None:
    anchors = {f"#{anchor(title)}" for title in re.findall(r"^#+ (.+)$", README, flags=re.M)}
    links = re.findall(r"\]\(([^)]+)\)", README)
    assert len(links) >= 4
    lost = [
        link
        for link in links
        if not (link in anchors if link.startswith("#") else (ROOT / link).exists())
    ]
    assert lost == []


def test_the_parts_of_the_reference_that_it_names_exist(capsys: pytest.CaptureFixture[str]) -> None:
    named = set(re.findall(r"`rowcall reference ([a-z-]+)`", README))
    with pytest.raises(SystemExit):
        main(["reference", "--help"])
    choices = re.search(r"\{([a-z,-]+)\}", capsys.readouterr().out)
    assert choices is not None
    assert named == set(choices[1].split(","))
