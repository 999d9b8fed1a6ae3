"""By what the pairs of a run are judged again, and by what they were judged: the terms."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from hazcam.report.record import Record, counted
from hazcam.rover import LIMIT_UNITS

TermsKey = tuple[str, str]
"""Digests of a rover and of settings."""

_SETTINGS = {"headings_deg": "headings", "look_ahead_m": "look-ahead", "confidence": "confidence",
             "near_strip": "near strip", "near_strip_max_m": "near strip up to"}
_FEW = 2  # headings, which are named one by one


@dataclass(frozen=True, kw_only=True)
class Terms:
    """Rover, limits and settings, as plain values.

    Attributes
    ----------
    rover : str
        Its name.
    shape : mapping
        Its body and its legs.
    limits : mapping of str to float
        In m or deg (``LIMIT_UNITS``).
    margin_m : float
        Kept free on each side of the body. [m]
    settings : mapping
        Those that a stored pair can be judged with otherwise, by their names in ``Settings``.
    """

    rover: str
    shape: Mapping[str, Any]
    limits: Mapping[str, float]
    margin_m: float
    settings: Mapping[str, Any]

    def changed(
        self, limits: Mapping[str, float], margin_m: float | None, settings: Mapping[str, Any]
    ) -> Terms:
        """The same with what is given on top."""
        return replace(self, limits={**self.limits, **limits},
                       margin_m=self.margin_m if margin_m is None else margin_m,
                       settings={**self.settings, **_plain(settings)})

    def record(self) -> Record:
        """Plain values ready for JSON."""
        return {"rover": self.rover, "limits": dict(self.limits), "margin_m": self.margin_m,
                **self.settings}

    def words(self) -> dict[str, str]:
        """Limits, margin and settings, each with its unit."""
        return {**{name: f"{value:.4g} {LIMIT_UNITS[name]}" for name, value in
                   self.limits.items()},
                "margin": f"{self.margin_m:g} m",
                **{word: _setting(name, self.settings[name]) for name, word in _SETTINGS.items()}}


def terms_of(rover: Mapping[str, Any], settings: Mapping[str, Any]) -> Terms:
    """Terms of the ``json`` of the tables ``rovers`` and ``settings`` of a run."""
    own = rover["rover"]
    return Terms(rover=own["name"], shape={"body": own["body"], "legs": own["legs"]},
                 limits={name: rover["limits"][name]["value"] for name in LIMIT_UNITS},
                 margin_m=own["margin_m"], settings={name: settings[name] for name in _SETTINGS})


def terms_record(
    terms: Mapping[TermsKey, tuple[Terms, Terms]], counts: Mapping[TermsKey, int]
) -> list[Record]:
    """For each rover and settings of a run: how many pairs, their terms then and now.

    Parameters
    ----------
    terms : mapping
        Then and now, by digests of rover and settings.
    counts : mapping
        Pairs that were judged, by the same.
    """
    # By count and names, since digests say nothing to a reader.
    found = [{"pairs": counts[key], "assessed": before.record(), "now": after.record(),
              "same_body": before.shape == after.shape, "words": after.words(),
              "differs": _differs(before, after)}
             for key, (before, after) in sorted(terms.items()) if counts.get(key)]
    return sorted(found, key=lambda row: (-row["pairs"], row["assessed"]["rover"]))


def terms_statements(rows: Sequence[Record]) -> list[tuple[str, str]]:
    """Label and text: which rover, limits and settings, and what differs from then."""
    if not rows:
        return []
    found = [("rover", _rovers(rows))]
    for text, pairs in _counts((_limits(row["words"]), row) for row in rows).items():
        found.append(("limits", text + _of(pairs, rows)))
    for text, pairs in _counts((_settings(row["words"]), row) for row in rows).items():
        found.append(("settings", text + _of(pairs, rows)))
    return found + [("differs", text) for text in _differing(rows)]


def nothing_differs(rows: Sequence[Record]) -> bool:
    """Are all pairs judged by what they were assessed with?"""
    return not any(row["differs"] or not _same_rover(row) for row in rows)


# --- words ----------------------------------------------------------------------------------------


def _plain(settings: Mapping[str, Any]) -> dict[str, Any]:
    """As JSON has them."""
    return {name: list(value) if isinstance(value, tuple) else value
            for name, value in settings.items()}


def _setting(name: str, value: Any) -> str:
    if name == "headings_deg":
        if len(value) <= _FEW:
            return " and ".join(f"{heading:g}°" for heading in value)
        return f"{len(value)} from {min(value):g}° to {max(value):g}°"
    if value is None:
        return "the strip straight ahead"
    return f"{value:g}{' m' if name.endswith('_m') else ''}" if name != "near_strip" else value


def _differs(before: Terms, after: Terms) -> list[Record]:
    """Name, then and now, in words; with all digits where the words are the same."""
    values = [{**t.limits, "margin": t.margin_m,
               **{word: t.settings[name] for name, word in _SETTINGS.items()}}
              for t in (before, after)]
    words = before.words(), after.words()
    return [{"what": what, "assessed": then, "now": now} if then != now else
            {"what": what, "assessed": str(values[0][what]), "now": str(values[1][what])}
            for what in values[0] if values[0][what] != values[1][what]
            for then, now in [(words[0][what], words[1][what])]]


def _same_rover(row: Record) -> bool:
    return bool(row["assessed"]["rover"] == row["now"]["rover"] and row["same_body"])


def _rovers(rows: Sequence[Record]) -> str:
    """Which rover, and how many pairs were assessed for it already."""
    if all(_same_rover(row) for row in rows):
        names = _counts((row["now"]["rover"], row) for row in rows)
        return "as assessed: " + ", ".join(f"{name} ({counted(n, 'pair')})"
                                           for name, n in names.items())
    now: str = rows[0]["now"]["rover"]  # only --rover makes it another one: one for all
    already = sum(row["pairs"] for row in rows if _same_rover(row))
    others = _counts((row["assessed"]["rover"], row) for row in rows if not _same_rover(row))
    said = [(n, f"for {name}{' of another body or legs' if name == now else ''}")
            for name, n in others.items()]
    if already:
        said.insert(0, (already, f"for {now} already"))
    (first, words), *rest = said
    return ", ".join([f"{now}: {counted(first, 'pair')} {'was' if first == 1 else 'were'} assessed "
                      + words, *(f"{n} {words}" for n, words in rest)])


def _limits(words: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {words[name]}" for name in (*LIMIT_UNITS, "margin"))


def _settings(words: Mapping[str, str]) -> str:
    return ", ".join(f"{word} {words[word]}" for word in _SETTINGS.values()
                     if word != "near strip up to" or words["near strip"] == "assume")


def _differing(rows: Sequence[Record]) -> list[str]:
    """A line for each value: what it is now, and what pairs were assessed with."""
    found: dict[tuple[str, str], dict[str, int]] = {}
    for row in rows:
        for d in row["differs"]:
            of = found.setdefault((d["what"], d["now"]), Counter())
            of[d["assessed"]] += row["pairs"]
    return [f"{what} {now}, assessed with " + ", ".join(
        f"{then} ({counted(n, 'pair')})" for then, n in of.items())
        for (what, now), of in found.items()]


def _counts(rows: Iterable[tuple[str, Record]]) -> dict[str, int]:
    """Pairs by a text."""
    found: Counter[str] = Counter()
    for text, row in rows:
        found[text] += row["pairs"]
    return dict(found)


def _of(pairs: int, rows: Sequence[Record]) -> str:
    """How many pairs, where it is not all of them."""
    return "" if pairs == sum(row["pairs"] for row in rows) else f" ({counted(pairs, 'pair')})"
