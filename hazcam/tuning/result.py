"""A recommended limit as a file keeps it: schema ``hazcam-tuning/1``, kind ``limits``.

Only what it takes to write the limit into a rover file is read: the limit, what it was computed
from, and under which conditions the trials were made.
"""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn, cast

from hazcam.errors import HazcamError
from hazcam.rover.limits import check_limit
from hazcam.rover.profile import LIMIT_UNITS, Limit, LimitName
from hazcam.tuning.record import Conditions

SCHEMA = "hazcam-tuning/1"
KIND = "limits"
WHAT = f"a limits.json of schema {SCHEMA}, as `hazcam tune limits -o DIR` writes it"
_AGAIN = "run `hazcam tune limits` again with this version, and give what it writes"


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """A file that a limit was computed from.

    Attributes
    ----------
    name : str
        Bare name, of the table of trials or of the folder of the run.
    digest : str
        SHA-256.
    count : int
        Of trials, or of pairs.
    """

    name: str
    digest: str
    count: int


@dataclass(frozen=True, kw_only=True)
class TuningResult:
    """A recommended limit, and what it rests on.

    Attributes
    ----------
    name : str
        Of the limit.
    today : mapping of str to Limit
        What it was computed against, by the name of the rover of the run.
    recommended : float or None
        In m or deg (``LIMIT_UNITS``); None where nothing can be recommended.
    reason : str
        Why it is recommended, or why none is.
    warnings : tuple of str
        What is to be said against the success curve, the worst first.
    silent : bool
        The run holds no ground that tells of false go.
    risk_shown : bool
        Whether the run shows that the risk is met; not where it is silent, or of too few sites.
    rover_digest : str
        Of the rover that the run was assessed for.
    rover_numbers : mapping of str to float
        That the digest is of, by dotted name (``rover_numbers`` in hazcam.rover.limits).
    made_on : date
        When it was computed.
    conditions : Conditions
        Of the trials.
    trials, run : Evidence
        The table of trials, and the run whose demands were held against the limit.
    reliability, confidence, risk : float
        Settings, each between 0 and 1.
    simulated_weight : float or None
        With which simulated trials were counted in; None: they were not.
    where : str
        The file, for messages.
    """

    name: LimitName
    today: Mapping[str, Limit]
    recommended: float | None
    reason: str
    warnings: tuple[str, ...]
    silent: bool
    risk_shown: bool
    rover_digest: str
    rover_numbers: Mapping[str, float]
    made_on: datetime.date
    conditions: Conditions
    trials: Evidence
    run: Evidence
    reliability: float
    confidence: float
    risk: float
    simulated_weight: float | None
    where: str

    @property
    def source(self) -> str:
        """Where the limit comes from, as a rover file says it: one line."""
        c, trials, run = self.conditions, self.trials, self.run
        reliability, confidence, risk = (
            f"{100 * share:g} %" for share in (self.reliability, self.confidence, self.risk))
        prior = ("" if self.simulated_weight is None else
                 f", simulated trials counted in as {self.simulated_weight:g} each")
        return (f"{_counted(trials.count, 'trial')} ({trials.name}, sha256 {trials.digest[:12]}) "
                f"on {_counted(run.count, 'pair')} (run {run.name}, sha256 {run.digest[:12]}): "
                f"reliability {reliability}, confidence {confidence}, risk {risk}"
                f"{self._not_shown}{prior}; "
                f"{c.gait} on {c.ground}, {c.gravity_mps2:g} m/s2; {self.made_on.isoformat()}")

    @property
    def _not_shown(self) -> str:
        """Why the risk is asked for only; empty where the run shows that it is met."""
        if self.risk_shown:
            return ""
        return (" (not shown: no ground beyond in the run)" if self.silent else
                " (not shown: too few sites with ground beyond)")


def result_of(text: str, where: str) -> TuningResult:
    """Read the record of a tuned limit.

    Parameters
    ----------
    text : str
        JSON.
    where : str
        The file, for messages.

    Raises
    ------
    HazcamError
        Broken JSON, another schema or kind, a missing value or one of another sort.
    """
    given = _Given(where, _table(text, where))
    name = given.limit_name("limit.name")
    kind = given.limit_name("conditions.kind")
    if kind != name:
        given.refuse("conditions.kind", kind, f"that of the limit, {name}")
    if given.text("limit.unit") != LIMIT_UNITS[name]:
        given.refuse("limit.unit", given.at("limit.unit"), LIMIT_UNITS[name])
    return TuningResult(
        name=name, today=given.limits("limit.today", name), reason=given.text("limit.reason"),
        recommended=(None if given.at("limit.recommended") is None
                     else check_limit(name, given.number("limit.recommended"),
                                      f"{where}: limit.recommended")),
        warnings=given.texts("curve.warnings"), silent=given.flag("limit.silent"),
        risk_shown=given.flag("limit.risk_shown"), rover_digest=given.digest("limit.rover_digest"),
        rover_numbers=given.numbers("limit.rover_numbers"),
        made_on=given.date("made_on"),
        conditions=Conditions(
            rover=given.text("conditions.rover"), gait=given.text("conditions.gait"),
            ground=given.text("conditions.ground"), kind=kind,
            gravity_mps2=given.number("conditions.gravity_mps2")),
        trials=given.evidence("inputs.trials", "count"), run=given.evidence("inputs.run", "pairs"),
        reliability=given.share("inputs.settings.reliability"),
        confidence=given.share("inputs.settings.confidence"),
        risk=given.share("inputs.settings.risk"), where=where,
        simulated_weight=(None if given.at("inputs.settings.simulated_weight") is None
                          else given.number("inputs.settings.simulated_weight")),
    )


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def _table(text: str, where: str) -> Mapping[str, Any]:
    """The JSON, if it says that it is of this schema and kind."""
    try:
        table: Any = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise HazcamError(where, f"broken JSON: {error}", WHAT, _AGAIN) from error
    schema, kind = ((table.get("schema"), table.get("kind")) if isinstance(table, dict)
                    else (None, None))
    if schema != SCHEMA:
        raise HazcamError(f"{where}: schema", f"found {schema!r}", WHAT, _AGAIN)
    if kind != KIND:
        raise HazcamError(f"{where}: kind", f"found {kind!r}", f"{KIND!r}: {WHAT}",
                          "run `hazcam tune limits`: only it recommends a limit")
    return cast(Mapping[str, Any], table)


@dataclass(frozen=True)
class _Given:
    """Values of a record by dotted path, each checked."""

    where: str
    table: Mapping[str, Any]

    def refuse(self, path: str, value: object, expected: str) -> NoReturn:
        raise HazcamError(f"{self.where}: {path}", f"found {value!r}", expected, _AGAIN)

    def at(self, path: str) -> Any:
        value: Any = self.table
        for key in path.split("."):
            if not isinstance(value, dict) or key not in value:
                raise HazcamError(f"{self.where}: {path}", "is missing", WHAT, _AGAIN)
            value = value[key]
        return value

    def _checked(self, path: str, fits: Callable[[Any], bool], expected: str) -> Any:
        value = self.at(path)
        if not fits(value):
            self.refuse(path, value, expected)
        return value

    def text(self, path: str) -> str:
        """One line: it goes into a source."""
        return str(self._checked(path, _is_line, "a text of one line"))

    def texts(self, path: str) -> tuple[str, ...]:
        return tuple(self._checked(path, lambda v: isinstance(v, list) and all(map(_is_line, v)),
                                   "a list of texts of one line"))

    def flag(self, path: str) -> bool:
        return bool(self._checked(path, lambda v: isinstance(v, bool), "true or false"))

    def digest(self, path: str) -> str:
        return str(self._checked(
            path, lambda v: isinstance(v, str) and re.fullmatch("[0-9a-f]{64}", v) is not None,
            "a SHA-256 of 64 hexadecimal digits"))

    def numbers(self, path: str) -> dict[str, float]:
        return dict(self._checked(
            path, lambda v: isinstance(v, dict) and len(v) > 0 and all(map(_is_number, v.values())),
            "a table of finite numbers of 0 or more"))

    def number(self, path: str) -> float:
        return float(self._checked(path, _is_number, "a finite number of 0 or more"))

    def share(self, path: str) -> float:
        return float(self._checked(path, lambda v: _is_number(v) and 0 < v < 1,
                                   "a number between 0 and 1"))

    def limit_name(self, path: str) -> LimitName:
        return cast(LimitName, self._checked(path, lambda v: isinstance(v, str) and
                                             v in LIMIT_UNITS, f"one of {', '.join(LIMIT_UNITS)}"))

    def date(self, path: str) -> datetime.date:
        text = self.text(path)
        try:
            return datetime.date.fromisoformat(text)
        except ValueError:
            self.refuse(path, text, "a date such as 2031-06-01")

    def evidence(self, path: str, count: str) -> Evidence:
        digest = self.digest(f"{path}.digest")
        number = self._checked(f"{path}.{count}", lambda v: type(v) is int and v > 0,
                               "a whole number above 0")
        return Evidence(name=self.text(f"{path}.name"), digest=digest, count=number)

    def limits(self, path: str, name: LimitName) -> dict[str, Limit]:
        """A limit of several rovers, by the names of these."""
        rovers = self._checked(path, lambda v: isinstance(v, dict) and len(v) > 0,
                               "a table of the rovers of the run")
        # A rover may have a dot in its name.
        own = {rover: _Given(f"{self.where}: {path}: {rover}", {"limit": limit})
               for rover, limit in rovers.items()}
        return {rover: Limit(value=check_limit(name, its.number("limit.value"), its.where),
                             source=its.text("limit.source")) for rover, its in own.items()}


def _is_line(value: object) -> bool:
    return isinstance(value, str) and value.isprintable() and bool(value.strip())


def _is_number(value: object) -> bool:
    """Infinity and what is not a number are none."""
    return type(value) in (int, float) and 0 <= cast(float, value) < float("inf")
