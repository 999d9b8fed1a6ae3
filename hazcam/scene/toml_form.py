"""The file form of frozen records: TOML tables by their type hints, and a scene as text.

A table has the names of the fields of its record. None is left out; a tuple of records is an array
of tables. Floats are written with all the digits that they need, so that what is read equals what
was written, bit by bit. Only text is handled here; files are read and written elsewhere.
"""

from __future__ import annotations

import difflib
import hashlib
import importlib
import math
import reprlib
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from hazcam.errors import HazcamError
from hazcam.scene.description import SceneDescription

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

SCHEMA = "hazcam-scene/1"
_A_SCENE = f'a scene description in TOML, schema = "{SCHEMA}"'
_PLAIN = {float: "a number", int: "a whole number", str: "a text in quotes", bool: "true or false"}
_ADVICE = {
    float: "write a number without quotes and unit",
    int: "write a whole number without quotes, point and unit",
    str: "write it in quotes", bool: "write true or false, without quotes",
}

Table = dict[str, Any]
Record = TypeVar("Record", bound="DataclassInstance")


class SceneError(HazcamError):
    """A scene description that cannot be used."""


@dataclass(frozen=True)
class _Place:
    """A file and the dotted path of a key in it."""

    file: str
    path: str = ""

    def key(self, name: str) -> _Place:
        return _Place(self.file, f"{self.path}.{name}" if self.path else name)

    def item(self, index: int) -> _Place:
        return _Place(self.file, f"{self.path}[{index}]")

    def __str__(self) -> str:
        return f"{self.file}, {self.path}" if self.path else self.file


def scene_text(description: SceneDescription) -> str:
    """TOML text of a scene; the same scene gives the same text.

    Raises
    ------
    HazcamError
        If the extra ``scene`` is not installed.
    """
    try:
        tomli_w = importlib.import_module("tomli_w")
    except ImportError as error:
        raise HazcamError(
            "hazcam.scene", f"the library tomli_w cannot be imported ({error})",
            "the extra `scene`", 'pip install "hazcam[scene]"',
        ) from error
    return str(tomli_w.dumps({"schema": SCHEMA, **to_table(description)}))


def scene_digest(description: SceneDescription) -> str:
    """SHA-256 of :func:`scene_text`, in hexadecimal."""
    return hashlib.sha256(scene_text(description).encode("utf-8")).hexdigest()


def scene_from_text(text: str, where: str) -> SceneDescription:
    """Read a scene from its TOML text.

    Parameters
    ----------
    text : str
        TOML, schema ``hazcam-scene/1``.
    where : str
        Name of the file, for messages.

    Returns
    -------
    SceneDescription

    Raises
    ------
    SceneError
        Broken TOML, a missing or other schema, and all that :func:`from_table` refuses.
    """
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise SceneError(where, f"broken TOML: {error}", _A_SCENE, "mend the text there") from error
    schema = table.pop("schema", None)
    if schema is None:
        raise SceneError(where, "has no schema", _A_SCENE,
                         "give a scene description, or add the schema as its first line")
    if schema != SCHEMA:
        raise SceneError(f"{where}, schema", f"found {_short(schema)}", f'"{SCHEMA}"',
                         "give a scene description, or write it anew with this version of hazcam")
    return from_table(SceneDescription, table, where)


def to_table(record: DataclassInstance) -> Table:
    """Table of a frozen record, ready to be written as TOML.

    Raises
    ------
    ValueError
        If a number is not finite.
    TypeError
        If the record holds something that has no file form.
    """
    hints = get_type_hints(type(record))
    values = {field.name: getattr(record, field.name) for field in fields(record)}
    return {name: _written(hints[name], value, name)
            for name, value in values.items() if value is not None}


def _written(hint: Any, value: Any, name: str) -> Any:
    """Value as TOML holds it; ``name`` is of the field, for messages."""
    kind = _without_none(hint)
    if is_dataclass(kind):
        return to_table(value)
    if get_origin(kind) is tuple:
        return [_written(part, item, name)
                for part, item in zip(_parts(kind, len(value)), value, strict=True)]
    if get_origin(kind) is Literal:
        return value
    if kind is float and not math.isfinite(value):
        raise ValueError(f"{name} = {value} cannot be written: not a finite number")
    if kind not in _PLAIN:
        raise TypeError(f"{name}: {hint} has no file form")
    return kind(value)


def from_table(kind: type[Record], table: Mapping[str, Any], where: str) -> Record:
    """Frozen record of a TOML table.

    Parameters
    ----------
    kind : type
        A dataclass; its fields are numbers, texts, truth values, choices (Literal), tuples and
        dataclasses, each perhaps None.
    table : mapping
        As TOML gives it. A key that is left out takes the default of its field.
    where : str
        Name of the file, for messages.

    Returns
    -------
    instance of ``kind``

    Raises
    ------
    SceneError
        A missing or unknown key, a value of the wrong type, not among the choices, not finite, a
        list of the wrong length, values that the record refuses. ``where`` of the error is the
        file and the dotted path of the key.
    """
    record: Record = _read_record(kind, table, _Place(where))
    return record


def _read_record(kind: Any, table: Any, place: _Place) -> Any:
    if not isinstance(table, Mapping):
        raise _wrong(kind, table, place)
    known = {field.name: field for field in fields(kind)}
    hints = get_type_hints(kind)
    for name in table:
        if name not in known:
            raise _unknown_key(name, tuple(known), place)
    for name, field in known.items():
        if name not in table and _is_required(field):
            raise _missing(hints[name], place.key(name), name)
    values = {name: _read(hints[name], value, place.key(name)) for name, value in table.items()}
    try:
        return kind(**values)
    except ValueError as error:
        raise SceneError(str(place), str(error), f"values that make a {kind.__name__}",
                         "correct these values") from error


def _is_required(field: Field[Any]) -> bool:
    return field.default is MISSING and field.default_factory is MISSING


def _missing(hint: Any, place: _Place, name: str) -> SceneError:
    remedy = f"add a table [{place.path}]" if is_dataclass(hint) else f"add a line {name} = ..."
    return SceneError(str(place), "the key is missing", _says(hint), remedy)


def _unknown_key(name: str, known: tuple[str, ...], place: _Place) -> SceneError:
    close = difflib.get_close_matches(name, known, n=1)
    remedy = f"did you mean {close[0]}?" if close else "remove it"
    return SceneError(str(place.key(name)), "unknown key",
                      f"one of the known keys: {', '.join(known)}", remedy)


def _read(hint: Any, value: Any, place: _Place) -> Any:
    kind = _without_none(hint)
    if is_dataclass(kind):
        return _read_record(kind, value, place)
    if get_origin(kind) is tuple:
        return _read_tuple(kind, value, place)
    if get_origin(kind) is Literal:
        return _read_choice(kind, value, place)
    if kind is float:
        return _read_number(value, place)
    if kind not in _PLAIN:
        raise TypeError(f"{place}: {hint} has no file form")
    if type(value) is not kind:
        raise _wrong(kind, value, place)
    return value


def _read_tuple(kind: Any, value: Any, place: _Place) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise _wrong(kind, value, place)
    parts = _parts(kind, len(value))
    if len(parts) != len(value):
        raise SceneError(str(place), f"found {_count(len(value))}: {_short(value)}", _says(kind),
                         f"write {_count(len(parts))}")
    return tuple(_read(part, item, place.item(i))
                 for i, (part, item) in enumerate(zip(parts, value, strict=True)))


def _read_choice(kind: Any, value: Any, place: _Place) -> Any:
    if value in get_args(kind):
        return value
    raise _wrong(kind, value, place)


def _read_number(value: Any, place: _Place) -> float:
    if type(value) not in (int, float):
        raise _wrong(float, value, place)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise SceneError(str(place), f"found {_short(value)}", "a finite number",
                         "write a number that is finite, or leave the key out for its default")
    return number


def _without_none(hint: Any) -> Any:
    """X of ``X | None``; other hints as they are."""
    if get_origin(hint) not in (Union, UnionType):
        return hint
    rest = [part for part in get_args(hint) if part is not NoneType]
    return rest[0] if len(rest) == 1 else hint


def _parts(kind: Any, count: int) -> tuple[Any, ...]:
    """Hints of the items of a tuple; ``count`` of them where any number is right."""
    parts = get_args(kind)
    return parts[:1] * count if parts[-1] is Ellipsis else parts


def _wrong(kind: Any, value: Any, place: _Place) -> SceneError:
    return SceneError(str(place), f"found {_short(value)}", _says(kind), _advice(kind, place))


def _says(hint: Any) -> str:
    """What a hint asks for, in words."""
    kind = _without_none(hint)
    if is_dataclass(kind):
        return f"a table with the keys {', '.join(field.name for field in fields(kind))}"
    if get_origin(kind) is Literal:
        return f"one of {', '.join(_short(choice) for choice in get_args(kind))}"
    if get_origin(kind) is not tuple:
        return _PLAIN[kind]
    first, *rest = get_args(kind)
    if rest == [Ellipsis]:
        return f"a list, each item {_says(first)}"
    return f"a list of {_count(1 + len(rest))}: {', '.join(_says(part) for part in get_args(kind))}"


def _advice(kind: Any, place: _Place) -> str:
    if is_dataclass(kind):
        return f"write it as a table [{place.path}]"
    if get_origin(kind) is Literal:
        return "choose one of these"
    if get_origin(kind) is not tuple:
        return _ADVICE[kind]
    if is_dataclass(get_args(kind)[0]):
        return f"write each as a table of its own, [[{place.path}]]"
    return "write a list in square brackets"


def _count(number: int) -> str:
    return "1 item" if number == 1 else f"{number} items"


def _short(value: Any) -> str:
    """Value as TOML would roughly show it, cut short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    return reprlib.repr(value)
