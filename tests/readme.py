"""Write the output blocks of README.md anew: ``python -m tests.readme``.

A block is marked ``<!-- output: COMMAND -->`` and holds what the command prints; one marked
``<!-- lines of: COMMAND -->`` some lines of it, ``...`` for those left out, of a command that needs
what others of the page have written. Those are put in by hand, and checked.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from click.testing import CliRunner

from hazcam.cli import main as hazcam

README = Path(__file__).parents[1] / "README.md"
BLOCK = re.compile(
    r"(<!-- output: (?P<command>[^\n]+) -->\n```text\n)(?P<text>.*?)(```)", re.DOTALL
)

LINES = re.compile(r"<!-- lines of: (?P<command>[^\n]+) -->\n```text\n(?P<text>.*?)```", re.DOTALL)


def output_of(command: str) -> str:
    """What a ``hazcam`` command prints."""
    words = shlex.split(command)
    if words[0] != "hazcam":
        raise ValueError(f"not a hazcam command: {command}")
    result = CliRunner().invoke(hazcam, words[1:])
    if result.exit_code:
        raise ValueError(f"{command} failed:\n{result.output}")
    return result.stdout


def main() -> None:
    """Run every marked command and put its output into its block."""
    text = README.read_text(encoding="utf-8")
    README.write_text(
        BLOCK.sub(lambda m: m[1] + output_of(m["command"]) + m[4], text), encoding="utf-8")


if __name__ == "__main__":
    main()
