"""Calibration files as trees: YAML text to maps, lists, numbers, arrays, and back; checked values.

OpenCV's own parser reads all kinds of file that a calibration comes in.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from hazcam.errors import RigError
from hazcam.frames import Floats

_MATRIX_FORM = ("a matrix of numbers: rows as in [[1, 0, 0], [0, 1, 0], [0, 0, 1]], "
                "or an !!opencv-matrix with rows, cols, dt, data")

Tree = dict[str, Any]


def parse(text: str, path: Path) -> Tree:
    """YAML text to a tree; OpenCV's parser reads both kinds of file."""
    flags = cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY
    try:
        storage = cv2.FileStorage(text, flags)
    except (cv2.error, SystemError) as error:
        # A SystemError wraps the cv2.error that says, in brackets, in which line it stopped.
        line = re.search(r"\((\d+)\): ([^\n']*)", str(error.__cause__ or error))
        found = f"near line {line[1]}: {line[2]}" if line else "unreadable"
        raise RigError(str(path), f"broken YAML {found}", "OpenCV FileStorage or camera_info YAML",
                       "mend the text there, or write the calibration again") from error
    tree = _tree(storage.root(), str(path))
    if not isinstance(tree, dict) or not tree:
        raise RigError(str(path), "holds no keys", "the keys of a calibration",
                       "write the calibration again")
    return tree


def _tree(node: cv2.FileNode, where: str) -> Any:
    if node.isMap():
        return _map_of(node, where)
    if node.isSeq():
        return [_tree(node.at(i), f"{where}[{i}]") for i in range(node.size())]
    if node.isInt():
        return int(node.real())
    if node.isReal():
        return float(node.real())
    return node.string() if node.isString() else None


def _map_of(node: cv2.FileNode, where: str) -> Any:
    keys = list(node.keys())
    double = next((key for key in keys if keys.count(key) > 1), None)
    if double is not None:
        raise RigError(where, f"the key {double} is given twice", "each key once",
                       "remove one of the two")
    tree = {key: _tree(node.getNode(key), f"{where}: {key}") for key in keys}
    is_matrix = "data" in tree and ({"rows", "cols"} <= set(tree) or "sizes" in tree)
    return _matrix_of(tree, where) if is_matrix else tree


def _matrix_of(tree: Tree, where: str) -> Floats:
    """Numbers of a matrix, from the map that either kind of file writes it as."""
    shape = tree.get("sizes") or [tree.get("rows"), tree.get("cols")]
    data = tree["data"] if isinstance(tree["data"], list) else [tree["data"]]
    word = next((v for v in (*shape, *data) if not isinstance(v, int | float)), None)
    if word is not None:
        raise RigError(where, f"found the word {word!r} in a matrix", "numbers",
                       "correct the entry")
    if len(data) != np.prod(shape):
        raise RigError(where, f"{len(data)} numbers for a matrix of "
                       f"{' x '.join(str(n) for n in shape)}", "one number for each entry",
                       "copy the matrix again")
    return np.array(data, dtype=np.float64).reshape([int(n) for n in shape])


# --- single values, checked ---------------------------------------------------------------------


def check_keys(
    tree: Tree, path: Path, required: tuple[str, ...], optional: tuple[str, ...]
) -> None:
    """Raise RigError for an unknown or a missing key."""
    unknown = sorted(set(tree) - set(required) - set(optional))
    if unknown:
        raise RigError(str(path), f"unknown key{'s' if len(unknown) > 1 else ''}: "
                       f"{', '.join(unknown)}",
                       f"the known keys: {', '.join((*required, *optional))}",
                       "remove or rename it; free words go into `provenance`")
    missing = [key for key in required if key not in tree]
    if missing:
        raise RigError(str(path), f"missing key{'s' if len(missing) > 1 else ''}: "
                       f"{', '.join(missing)}", f"the keys {', '.join(required)}",
                       "write the calibration again, with them")


def rows_as_matrix(value: Any) -> Any:
    """Turn a row, or rows of one length, of numbers into an array; else return it as it is."""
    if not isinstance(value, list):
        return value
    rows = value if value and all(isinstance(row, list) for row in value) else [value]
    plain = all(isinstance(v, int | float) for row in rows for v in row)
    if not plain or len({len(row) for row in rows}) > 1:
        return value
    return np.array(value, dtype=np.float64)


def array_at(tree: Tree, key: str, path: Path, shape: tuple[int, ...] | None) -> Floats:
    """Return a finite matrix of ``shape``; None for one row or column of any length."""
    value, where = rows_as_matrix(tree[key]), f"{path}: {key}"
    if not isinstance(value, np.ndarray):
        raise RigError(where, f"found {value!r}", _MATRIX_FORM, "correct the value")
    if value.size == 0:
        raise RigError(where, "is an empty matrix", "numbers", "calibrate again: it did not finish")
    if not np.isfinite(value).all():
        raise RigError(where, "holds NaN or infinity", "finite numbers",
                       "calibrate again: it did not converge")
    flat_ok = sum(n > 1 for n in value.shape) <= 1
    if shape is None or len(shape) == 1:
        good = flat_ok and (shape is None or value.size == shape[0])
        value = value.reshape(-1) if good else value
    else:
        good = value.shape == shape
    if not good:
        wanted = "one row or column" if shape is None else " x ".join(str(n) for n in shape)
        raise RigError(where, f"a matrix of {' x '.join(str(n) for n in value.shape)}", wanted,
                       "copy the matrix again")
    return np.asarray(value, dtype=np.float64)


def whole_at(tree: Tree, key: str, path: Path) -> int:
    """A whole number above 0."""
    value = tree[key]
    if not isinstance(value, int) or value <= 0:
        raise RigError(f"{path}: {key}", f"found {value!r}", "a whole number above 0",
                       "give the size of the calibrated pictures in pixels")
    return value


def word_at(tree: Tree, key: str, path: Path, known: tuple[str, ...], default: str) -> str:
    """One of the known words."""
    value = tree.get(key, default)
    if value not in known:
        raise RigError(f"{path}: {key}", f"unknown {key} {value!r}", " or ".join(known),
                       "correct the value, or write the calibration again with this version")
    return str(value)


# --- from a tree to text --------------------------------------------------------------------------


def storage_text(tree: Tree) -> str:
    """The text of an OpenCV FileStorage YAML that holds a tree."""
    storage = cv2.FileStorage(".yaml", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    for key, value in tree.items():
        _write_value(storage, key, value)
    return str(storage.releaseAndGetString())


def _write_value(storage: cv2.FileStorage, key: str, value: Any) -> None:
    if isinstance(value, dict | list | tuple):
        is_map = isinstance(value, dict)
        storage.startWriteStruct(key, cv2.FileNode_MAP if is_map else cv2.FileNode_SEQ)
        for name, entry in value.items() if isinstance(value, dict) else (("", v) for v in value):
            _write_value(storage, name, entry)
        storage.endWriteStruct()
    elif isinstance(value, bool) or not isinstance(value, int | float | np.ndarray):
        storage.write(key, str(value))
    else:
        storage.write(key, value)
