"""The README's commands run as printed, and print what it says."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from hazcam.cli import main as hazcam
from hazcam.cli import rehearse as rehearse_command
from hazcam.cli import scene as scene_commands
from tests.readme import BLOCK, LINES, README, output_of

ROOT = README.parent
TEXT = README.read_text(encoding="utf-8")
COMMANDS = [line for block in re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL)
            for line in block.splitlines() if line.startswith("hazcam ")]


@pytest.fixture(autouse=True)
def _in_the_repository(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)


def test_the_first_paragraph_states_the_job() -> None:
    paragraph = TEXT.split("\n\n")[1]
    assert "`go` or `ask-ground`" in paragraph
    assert "stereo pair" in paragraph


def test_the_set_up_and_test_commands_are_one_line_each() -> None:
    for name in ("set-up command", "test command"):
        block = re.search(rf"<!-- {name} -->\n```sh\n(.*?)```", TEXT, re.DOTALL)
        assert block is not None
        assert len(block[1].splitlines()) == 1


NUMBER = r"\d+(?:\.\d+)?"


def same_but_for_digits(found: str, printed: str) -> bool:
    """Words to the letter; a number may differ by 5 %, or by two in its last digit."""
    if re.sub(NUMBER, "N", found) != re.sub(NUMBER, "N", printed):
        return False
    pairs = zip(re.findall(NUMBER, found), re.findall(NUMBER, printed), strict=True)
    return all(abs(float(a) - float(b)) <= 1e-9 + max(
        0.05 * float(b), 2 * 10.0 ** -len(b.partition(".")[2])) for a, b in pairs)


@pytest.mark.parametrize("command", [m["command"] for m in BLOCK.finditer(TEXT)])
def test_the_output_blocks_are_what_the_commands_print(command: str) -> None:
    printed = next(m["text"] for m in BLOCK.finditer(TEXT) if m["command"] == command)
    found = output_of(command)
    assert len(found.splitlines()) == len(printed.splitlines())
    for a, b in zip(found.splitlines(), printed.splitlines(), strict=True):
        assert same_but_for_digits(a, b), f"{a}\n{b}"


def check_lines(shown: list[str], printed: list[str]) -> None:
    """Each line is printed, in this order, as ``same_but_for_digits`` has it."""
    assert shown
    at = 0
    for line in shown:
        if line.strip() == "...":
            continue
        while at < len(printed) and not same_but_for_digits(printed[at].rstrip(), line):
            at += 1
        assert at < len(printed), f"not printed there: {line}"
        at += 1


# They render or score whole scenes; test_cli_scene.py and test_cli_rehearse.py run them small.
LONG = ("hazcam scene render", "hazcam rehearse")


@pytest.mark.parametrize("command", [c for c in COMMANDS if c.startswith(LONG)])
def test_the_long_commands_are_understood_as_printed(
    command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[dict[str, object]] = []
    for long in (scene_commands.render, rehearse_command.rehearse):
        monkeypatch.setattr(long, "callback", lambda **given: asked.append(given))
    result = CliRunner().invoke(hazcam, shlex.split(command)[1:])
    assert result.exit_code == 0, result.output
    (given,) = asked
    rig = given["rig"]
    assert rig is None or Path(str(rig)).is_file()


def test_every_other_command_runs_as_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In their order; results go to a folder of the test's own, and are read as printed."""
    assert len(COMMANDS) >= 6
    printed: dict[str, str] = {}
    for command in COMMANDS:
        if command.startswith(LONG):
            continue
        words = shlex.split(command.replace("hazcam-out", str(tmp_path / "out")))[1:]
        if "sample_pairs" in words and "manifest" not in words:
            continue  # all ten pairs: test_sample_pairs assesses them
        result = CliRunner().invoke(hazcam, words)
        assert result.exit_code == 0, f"{command}\n{result.output}"
        printed[command] = result.stdout
    for block in LINES.finditer(TEXT):
        check_lines(block["text"].splitlines(), printed[block["command"]].splitlines())
    of_pair, of_run = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
    exec(of_pair, {})
    assert "clear for" in capsys.readouterr().out
    exec(of_run.replace("hazcam-out", str(tmp_path / "out")), {})
    assert re.fullmatch(r"\d+ (hold|go|turn).*\n", capsys.readouterr().out)


def test_every_file_that_the_documents_name_exists() -> None:
    for document in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / document).read_text(encoding="utf-8")
        folders = r"(?:hazcam|tests|calibration|sample_pairs|\.ci)"
        named = re.findall(rf"`({folders}/[\w./-]*[\w/])`", text)
        assert named
        for path in named:
            assert (ROOT / path).exists(), f"{document} names {path}"
