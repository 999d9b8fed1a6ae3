"""Text that was given as a table of trials by mistake, by what it is. Pure."""

from __future__ import annotations

import re
import tomllib

from hazcam.campaign.manifest.text import COLUMNS as MANIFEST_COLUMNS

_JSON_SCHEMA = re.compile(r'"schema"\s*:\s*"([^"\n]{1,40})"')


def other_file(text: str) -> tuple[str, str] | None:
    """What a text is instead of a table, and the remedy; None where it may be one.

    Parameters
    ----------
    text : str
        Not blank.
    """
    if text.lstrip().startswith(("{", "[{")):
        schema = _JSON_SCHEMA.search(text)
        return f"is JSON{f' (schema {schema[1]})' if schema else ''}", "give the table of trials"
    try:
        of_toml = tomllib.loads(text).get("schema")
    except tomllib.TOMLDecodeError:
        pass
    else:
        return (f"is TOML{f' (schema {of_toml})' if of_toml else ''}",
                "give the table of trials: a rover, or a scene, is another file")
    header = {cell.strip().strip('"') for cell in text.lstrip().splitlines()[0].split(",")}
    if header <= set(MANIFEST_COLUMNS) and header & {"sidecar", "left", "right"}:
        return ("is the manifest of a campaign",
                "assess it with `hazcam batch`; `hazcam tune trials RUN` then takes the trials "
                "from the pairs that were walked")
    return None


__all__ = ["other_file"]
