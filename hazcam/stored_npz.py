"""``terrain.npz`` and ``demands.npz``: what a pair can be judged from again, without pictures.

Schemas ``hazcam-terrain/1`` and ``hazcam-demands/1``. Each holds arrays of numbers, compressed
(numpy's npz; never Python objects), and ``about``: UTF-8 JSON with schema, hazcam version, the
rover, what speaks against the whole pair, and of the record of the assessment what it says of pair,
attitude and rig, with its settings, digests and versions. Nothing is lost: a stored number is the
one that was judged, to the last bit. The same assessment gives the same bytes.

Pure: ``report/stores.py`` reads the files, ``campaign`` keeps the bytes in its tables.
"""

from __future__ import annotations

import io
import json
import struct
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam import __version__
from hazcam.assess import Assessment, rig_causes
from hazcam.conditions import pair_outside_rehearsed
from hazcam.disparity import MatchSettings
from hazcam.errors import HazcamError
from hazcam.imagery.signatures import picture_format
from hazcam.packing import Arrays
from hazcam.rover import Body, Legs, Limit, Limits, RoverProfile
from hazcam.settings import Settings
from hazcam.stored import StoredDemands, StoredTerrain
from hazcam.terrain import GridSpec, TerrainMap, TerrainSettings
from hazcam.terrain.pack import TERRAIN_ARRAYS, pack_terrain, unpack_terrain
from hazcam.verdict import Cause
from hazcam.verdict.pack import DEMAND_ARRAYS, pack_demands, unpack_demands

TERRAIN_SCHEMA = "hazcam-terrain/1"
DEMANDS_SCHEMA = "hazcam-demands/1"
_FILES = {TERRAIN_SCHEMA: "terrain.npz", DEMANDS_SCHEMA: "demands.npz"}
_ARRAYS = {TERRAIN_SCHEMA: TERRAIN_ARRAYS, DEMANDS_SCHEMA: DEMAND_ARRAYS}
_SAID = ("hazcam", "attitude", "outside_rehearsed", "near_strip", "rig_check", "rig", "settings",
         "digests", "versions")
_SAID_AT_TIMES = ("refined",)
_AGAIN = "assess the pair again with -o"
_USE = "give the terrain.npz or demands.npz that `hazcam assess -o` wrote"
# What numpy, zip and the records raise of bytes that were cut off, or written over.
_DAMAGE = (ValueError, KeyError, TypeError, OSError, EOFError, IndexError, OverflowError,
           NotImplementedError, RuntimeError, zipfile.BadZipFile, zlib.error, struct.error)
# The default level takes three times as long for 8 % less: storing must cost little beside
# assessing.
_COMPRESS_LEVEL = 2

_Loaded = Mapping[str, NDArray[Any]]
_Record = dict[str, Any]


def terrain_bytes(assessment: Assessment, terrain: TerrainMap, record: _Record) -> bytes:
    """The ground of an assessment as the bytes of a ``terrain.npz``.

    Parameters
    ----------
    assessment : Assessment
        With both pictures.
    terrain : TerrainMap
        Its ground.
    record : dict
        The record of the assessment.
    """
    arrays, ground = pack_terrain(terrain)
    about = _about(TERRAIN_SCHEMA, assessment, record)
    # What depends on the rover and the look-ahead is found anew for each.
    about["said"]["outside_rehearsed"] = list(pair_outside_rehearsed(assessment))
    return _npz(arrays, {**about, "ground": ground})


def demands_bytes(assessment: Assessment, record: _Record) -> bytes:
    """The demands of an assessment with both pictures as the bytes of a ``demands.npz``."""
    about = _about(DEMANDS_SCHEMA, assessment, record)
    return _npz(pack_demands(assessment.demands),
                {**about, "near_strip_max_m": assessment.near_strip_max_m})


def store_of(
    data: bytes, where: str, schemas: tuple[str, ...] = (TERRAIN_SCHEMA, DEMANDS_SCHEMA)
) -> StoredTerrain | StoredDemands:
    """The store of one of some schemas whose bytes these are.

    Parameters
    ----------
    data : bytes
        From ``terrain_bytes`` or ``demands_bytes``.
    where : str
        Where they were found, for messages.
    schemas : tuple of str
        That will do.

    Raises
    ------
    HazcamError
        Bytes that are no such store, are of another version, or are damaged.
    """
    what = what_is_expected(schemas)
    _check_is_npz(data, where, what)
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as file:
            about = _read_about(where, file, schemas, what)
            names = _ARRAYS[about["schema"]]
            missing = [name for name in names if name not in file]
            if missing:
                raise HazcamError(where, f"lacks the array{'s' if len(missing) > 1 else ''} "
                                  f"{', '.join(missing)}", what, _AGAIN)
            return _store(where, about, {name: file[name] for name in names})
    except _DAMAGE as error:
        raise HazcamError(where, f"is damaged: {_words(error)}", what,
                          f"copy it again, or {_AGAIN}") from error


def what_is_expected(schemas: tuple[str, ...]) -> str:
    """The stores of some schemas in words, for messages."""
    return " or ".join(f"a {_FILES[schema]} (schema {schema})" for schema in schemas)


def _check_is_npz(data: bytes, where: str, what: str) -> None:
    if not data:
        raise HazcamError(where, "is empty", what, f"copy it again, or {_AGAIN}")
    if not data.startswith(b"PK"):
        form = picture_format(data)
        found = "is no npz file" if form is None else f"is a {form} picture"
        raise HazcamError(where, found, what, _USE)


def _read_about(where: str, file: _Loaded, schemas: tuple[str, ...], what: str) -> _Record:
    """What the store says of itself, if it is of one of some schemas."""
    if "about" not in file:
        raise HazcamError(where, "is an npz file without `about`: no store", what, _USE)
    about: Any = json.loads(file["about"].tobytes().decode("utf-8"))
    schema = about.get("schema") if isinstance(about, dict) else None
    if schema in schemas:
        return dict(about)
    if schema in _FILES:
        raise HazcamError(where, f"is a store of schema {schema}", what,
                          f"give the {_FILES[schemas[0]]} beside it")
    name = str(schema).partition("/")[0]
    if name in {s.partition("/")[0] for s in _FILES}:
        made_by = about.get("hazcam", "unknown")
        raise HazcamError(f"{where}: schema",
                          f"found {schema!r}, written by hazcam {made_by}; this is hazcam "
                          f"{__version__}", what, f"judge it with that version, or {_AGAIN}")
    raise HazcamError(f"{where}: schema", f"found {schema!r}", what, _USE)


def _words(error: BaseException) -> str:
    """What is wrong, on one line."""
    text = " ".join(str(error).split())
    return f"a value {text} is missing" if isinstance(error, KeyError) else text or repr(error)


def _npz(arrays: Arrays, about: _Record) -> bytes:
    stream = io.BytesIO()
    text = json.dumps(about, ensure_ascii=False, sort_keys=True)
    with zipfile.ZipFile(stream, "w") as file:
        for name, array in {"about": np.frombuffer(text.encode(), np.uint8), **arrays}.items():
            member = io.BytesIO()
            np.lib.format.write_array(member, np.asanyarray(array), allow_pickle=False)
            # A ZipInfo made from a name alone is dated 1980, not now.
            file.writestr(zipfile.ZipInfo(f"{name}.npy"), member.getvalue(), zipfile.ZIP_DEFLATED,
                          compresslevel=_COMPRESS_LEVEL)
    return stream.getvalue()


def _about(schema: str, a: Assessment, record: _Record) -> _Record:
    """What both stores say. No path of this machine is in it."""
    causes = () if a.epipolar is None else rig_causes(a.epipolar)
    said = {key: record[key] for key in (*_SAID, *_SAID_AT_TIMES) if key in record}
    said["pair"] = {key: record["pair"][key] for key in ("missing", "notes")}
    said["intake"] = {"notes": record["intake"]["notes"]}
    return {"schema": schema, "hazcam": __version__, "id": a.pair.id,
            "rover": _rover_values(a.rover),
            "pair_causes": [asdict(cause) for cause in causes], "said": said}


def _store(where: str, about: _Record, arrays: _Loaded) -> StoredTerrain | StoredDemands:
    said = {key: about["said"][key] for key in (*_SAID, "pair", "intake")}
    said |= {key: about["said"][key] for key in _SAID_AT_TIMES if key in about["said"]}
    shared: dict[str, Any] = {
        "id": about["id"], "rover": _rover(about["rover"], where),
        "settings": _settings(said["settings"]), "said": said,
        "pair_causes": tuple(Cause(**cause) for cause in about["pair_causes"]),
    }
    if about["schema"] == TERRAIN_SCHEMA:
        return StoredTerrain(**shared, terrain=unpack_terrain(arrays, about["ground"]))
    return StoredDemands(**shared, demands=unpack_demands(arrays),
                         near_strip_max_m=about["near_strip_max_m"])


def _rover_values(rover: RoverProfile) -> _Record:
    values = asdict(rover)
    del values["source"]
    for limit in values["limits"].values():
        if limit["was"] is None:
            del limit["was"]
    return values


def _rover(values: Mapping[str, Any], source: str) -> RoverProfile:
    limits = Limits(**{name: _limit(**limit) for name, limit in values["limits"].items()})
    return RoverProfile(**{**values, "body": Body(**values["body"]), "legs": Legs(**values["legs"]),
                           "limits": limits, "source": source})


def _limit(value: float, source: str, was: Mapping[str, Any] | None = None) -> Limit:
    return Limit(value=value, source=source, was=None if was is None else Limit(**was))


def _settings(record: Mapping[str, Any]) -> Settings:
    terrain = record["terrain"]
    return Settings(
        headings_deg=tuple(record["headings_deg"]),
        **{key: record[key] for key in ("look_ahead_m", "confidence", "tilt_bound_deg",
                                        "assume_level", "near_strip", "near_strip_max_m")},
        refine=record.get("refine", False),
        matching=MatchSettings(**record["matching"]),
        terrain=TerrainSettings(**{**terrain, "grid": GridSpec(**terrain["grid"])}))
