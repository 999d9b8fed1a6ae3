"""Reading ``terrain.npz`` and ``demands.npz``; ``stored_npz`` says what they hold."""

from __future__ import annotations

from pathlib import Path

from hazcam.errors import HazcamError
from hazcam.stored import StoredDemands, StoredTerrain
from hazcam.stored_npz import DEMANDS_SCHEMA, TERRAIN_SCHEMA, store_of, what_is_expected


def read_terrain(path: Path) -> StoredTerrain:
    """Read a ``terrain.npz``.

    Raises
    ------
    HazcamError
        A file that cannot be read, is no such store, is of another version, or is damaged.
    """
    store = read_store(path, (TERRAIN_SCHEMA,))
    assert isinstance(store, StoredTerrain)
    return store


def read_demands(path: Path) -> StoredDemands:
    """Read a ``demands.npz``.

    Raises
    ------
    HazcamError
        A file that cannot be read, is no such store, is of another version, or is damaged.
    """
    store = read_store(path, (DEMANDS_SCHEMA,))
    assert isinstance(store, StoredDemands)
    return store


def read_store(
    path: Path, schemas: tuple[str, ...] = (TERRAIN_SCHEMA, DEMANDS_SCHEMA)
) -> StoredTerrain | StoredDemands:
    """Read a store of one of some schemas.

    Raises
    ------
    HazcamError
        A file that cannot be read, is no such store, is of another version, or is damaged.
    """
    return store_of(_data(path, what_is_expected(schemas)), str(path), schemas)


def _data(path: Path, what: str) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise HazcamError(str(path), "does not exist", what, "check the path") from error
    except IsADirectoryError as error:
        raise HazcamError(str(path), "is a folder", what, "give the file itself") from error
    except OSError as error:
        raise HazcamError(str(path), f"cannot be read: {error.strerror}", what,
                          "check its permissions") from error
