"""What two runs were made with: options, settings, versions, rovers and rigs, side by side."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from numpy.typing import NDArray

Rows = NDArray[Any]
"""A table of a run as a structured array."""


class Tables(Protocol):
    """What is asked of a run: see ``campaign.store.reader.Run``."""

    @property
    def about(self) -> Mapping[str, str]:
        """The table ``about``."""

    def table(self, name: str, *, columns: Sequence[str] | None = None) -> Rows:
        """A table in the order of its key, or some of its columns."""

    def record(self, id_: str) -> Mapping[str, Any]:
        """The record of an assessment."""


@dataclass(frozen=True, kw_only=True)
class InputDifference:
    """Something the pairs of two runs were assessed with, which is not the same.

    Attributes
    ----------
    name : str
        ``options.confidence``, ``rover dunlin-em: limits.step.value``, ``rig bench``, ...
    a, b : str, int, float, bool, list or None
        Its value in the first run and in the second; None where it has none there.
    """

    name: str
    a: Any
    b: Any


def input_differences(a: Tables, b: Tables) -> tuple[InputDifference, ...]:
    """All that differs between what two runs were made with; for pairs see ``pair_inputs``.

    Settings are compared where each run has one, which is the rule; rovers and rigs by their names.
    What a rig file holds is not compared: another digest is another rig.
    """
    return (
        *_differing("hazcam", a.about.get("hazcam"), b.about.get("hazcam")),
        *_differing("versions", *(_loaded(run.about.get("versions")) for run in (a, b))),
        *_differing("options", *(_loaded(run.about.get("options")) for run in (a, b))),
        *_differing("settings", *(_settings(run.table("settings")) for run in (a, b))),
        *_of_names("rover", *(_rovers(run.table("rovers")) for run in (a, b))),
        *_of_names("rig", *(_rigs(run.table("rigs", columns=("digest", "name")))
                            for run in (a, b))),
    )


def _loaded(text: str | None) -> Any:
    return json.loads(text) if text else None


def _settings(table: Rows) -> Any:
    return _loaded(str(table["json"][0])) if len(table) == 1 else sorted(table["digest"].tolist())


def _rovers(table: Rows) -> dict[str, Any]:
    """By name; a name that several have with its digest, so that each is compared with its own."""
    return _by_name(table, [json.loads(text) for text in table["json"].tolist()])


def _rigs(table: Rows) -> dict[str, Any]:
    return _by_name(table, table["digest"].tolist())


def _by_name(table: Rows, values: list[Any]) -> dict[str, Any]:
    names = table["name"].tolist()
    return {name if names.count(name) == 1 else f"{name} {digest[:8]}": value
            for name, digest, value in zip(names, table["digest"].tolist(), values, strict=True)}


def _of_names(
    what: str, a: Mapping[str, Any], b: Mapping[str, Any]
) -> Iterator[InputDifference]:
    for name in sorted({*a, *b}):
        if name in a and name in b:
            yield from _differing(f"{what} {name}", a[name], b[name])
        else:
            yield InputDifference(name=f"{what} {name}", a="there" if name in a else None,
                                  b="there" if name in b else None)


def _differing(name: str, a: Any, b: Any) -> Iterator[InputDifference]:
    """What differs, key by key where both are mappings."""
    if isinstance(a, Mapping) and isinstance(b, Mapping):
        between = ": " if " " in name and ":" not in name else "."
        for key in dict.fromkeys((*a, *b)):
            yield from _differing(f"{name}{between}{key}", a.get(key), b.get(key))
    elif a != b:
        yield InputDifference(name=name, a=a, b=b)
