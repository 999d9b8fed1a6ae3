"""Where a file may be written: asked before anything is computed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from hazcam.errors import OutputError


def refuse_to_overwrite(paths: Sequence[Path], force: bool) -> None:
    """Raise OutputError for files that are there, unless they may be overwritten."""
    there = [str(path) for path in paths if path.exists()]
    if there and not force:
        raise OutputError(", ".join(there), "is there already", "a new file",
                          "give another name, or --force to overwrite it")


def check_rig_file(output: Path | None, force: bool) -> None:
    """Raise OutputError unless a rig can be written to a file; None is none to be written."""
    check_new_file(output, force, "rig", "rig.yaml")


def check_new_file(output: Path | None, force: bool, what: str, example: str) -> None:
    """Raise OutputError unless a file can be written; None is none to be written.

    Parameters
    ----------
    output : Path or None
    force : bool
        Whether one that is there may be overwritten.
    what, example : str
        What is in the file, and a name that it could have, for messages.
    """
    if output is None:
        return
    if output.is_dir():
        raise OutputError(str(output), "is a folder", f"the name of a file for the {what}",
                          f"give a file in it: {output / example}")
    if not output.parent.is_dir():
        raise OutputError(str(output), f"the folder {output.parent} does not exist",
                          "a file in a folder that is there", "make the folder, or choose another")
    refuse_to_overwrite([output], force)
