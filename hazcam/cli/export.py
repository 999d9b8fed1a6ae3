"""``hazcam export``: what a run holds, in forms that other programs read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

import click

from hazcam.campaign import Run, open_run
from hazcam.campaign.store.export import EXPORTED, FORMS, Form, schema_text, table_lines
from hazcam.cli import options
from hazcam.cli.again import assess_again
from hazcam.cli.calibrate.output import refuse_to_overwrite
from hazcam.cli.errors import user_errors
from hazcam.cli.progress import saying_what_is_compiled
from hazcam.errors import HazcamError, OutputError
from hazcam.report import prepare_folder
from hazcam.report.grid_files import elevation_ascii, elevation_geotiff
from hazcam.report.point_files import disparity_pfm, points_ply
from hazcam.terrain import GridSpec

_GRID = GridSpec()
_GRIDS = {".tif": elevation_geotiff, ".tiff": elevation_geotiff, ".asc": elevation_ascii}
_ENDINGS = {"elevation": tuple(_GRIDS), "points": (".ply",), "disparity": (".pfm",)}


def _ending(ctx: click.Context, param: click.Parameter, path: Path | None) -> Path | None:
    """Refuse a file whose name does not say the form that is written."""
    endings = _ENDINGS[str(param.name)]
    if path is not None and path.suffix.lower() not in endings:
        raise click.BadParameter(f"{path.name!r} does not end in {' or '.join(endings)}", ctx,
                                 param)
    return path


def _tell_schema(ctx: click.Context, param: click.Parameter, asked: bool) -> None:
    if asked:
        click.echo(schema_text(), nl=False)
        ctx.exit()


@click.command()
@click.argument("run", type=click.Path(path_type=Path), metavar="RUN")
@click.option("--table", "tables", multiple=True, type=click.Choice(EXPORTED),
              help="Only this table; may be given several times.  [default: all]")
@click.option("--form", type=click.Choice(FORMS), default="csv", show_default=True,
              help="csv with the names of the columns first; jsonl: an object for each row. Values "
                   "are written as they are: a spreadsheet runs cells that begin with = + - or @, "
                   "so let it read the columns of a csv as text.")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write the tables to DIR/TABLE.csv or DIR/TABLE.jsonl.")
@click.option("--pair", "id_", metavar="ID",
              help="The pair of --elevation, --points and --disparity.")
@click.option("--elevation", type=options.FILE, callback=_ending, metavar="FILE",
              help="Write the elevation of the ground of --pair to FILE.tif (GeoTIFF) or FILE.asc "
                   "(ESRI ASCII grid): easting = -y, northing = x of the level frame, first row "
                   "farthest ahead, local, no CRS.")
@click.option("--points", type=options.FILE, callback=_ending, metavar="FILE",
              help="Write the points of --pair to FILE.ply: x, y, z in the level frame, sigma_z, "
                   f"grey. Points beyond the grid of the map ({_GRID.ahead_m:g} m ahead, "
                   f"{_GRID.side_m:g} m to each side) are left out; a comment in the file "
                   "counts them. Takes --manifest-folder.")
@click.option("--disparity", type=options.FILE, callback=_ending, metavar="FILE",
              help="Write the disparity of --pair to FILE.pfm, +inf where there is none. Takes "
                   "--manifest-folder.")
@click.option("--manifest-folder", type=click.Path(path_type=Path), metavar="DIR",
              help="Where the manifest is, or the folder that was given in place of one: points "
                   "and disparity are not in a run, so the pair is assessed again; its files must "
                   "be those of then.")
@click.option("--force", is_flag=True, help="Overwrite what is there.")
@click.option("--schema", is_flag=True, is_eager=True, expose_value=False, callback=_tell_schema,
              help="Say what tables and columns a run has, and exit.")
def export(
    run: Path, tables: tuple[str, ...], form: Form, output: Path | None, id_: str | None,
    manifest_folder: Path | None, force: bool, **of_pair: Path | None,
) -> None:
    """Write what a run holds in forms that other programs read.

    RUN is the folder that `hazcam batch -o` wrote. Tables are written with -o; records, stored
    demands and ground are no tables: see `open_run` of the Python package for those.

    Exit status: 0 written; 1 an input failed, or a file is there already; 2 wrong usage.
    """
    files = {what: path for what, path in of_pair.items() if path is not None}
    if tables and output is None:
        raise click.UsageError("--table goes with -o DIR")
    _check_usage(output, id_, files, manifest_folder)
    names = [name for name in EXPORTED if not tables or name in tables]
    to_write = {} if output is None else {name: output / f"{name}.{form}" for name in names}
    with user_errors(), saying_what_is_compiled(), open_run(run) as found:
        refuse_to_overwrite([*to_write.values(), *files.values()], force)
        # Whatever can fail comes before anything is written.
        made = {} if id_ is None else _of_pair(found, id_, files, manifest_folder)
        if id_ is not None:
            _warn_of(found, id_)
        if output is not None:
            prepare_folder(output)
        for name, path in to_write.items():
            rows = found.rows(name)
            _write(path, (line.encode() for line in table_lines(name, rows, form)))
        for path, data in made.items():
            _write(path, [data])


def _check_usage(
    output: Path | None, id_: str | None, files: Mapping[str, Path], folder: Path | None
) -> None:
    if (id_ is None) != (not files):
        raise click.UsageError("--pair goes with --elevation, --points or --disparity")
    if output is None and not files:
        raise click.UsageError("say what to write: -o DIR for tables, or --pair ID with "
                               "--elevation, --points or --disparity")
    again = bool({"points", "disparity"} & set(files))
    if again and folder is None:
        raise click.UsageError("points and disparity are not in a run: give --manifest-folder, "
                               "and the pair is assessed again from its pictures")
    if folder is not None and not again:
        raise click.UsageError("--manifest-folder goes with --points or --disparity")


def _of_pair(
    run: Run, id_: str, files: Mapping[str, Path], folder: Path | None
) -> dict[Path, bytes]:
    """What is written for a pair, by file."""
    made = {}
    if "elevation" in files:
        path = files["elevation"]
        made[path] = _GRIDS[path.suffix.lower()](run.terrain(id_).terrain)
    if folder is None:
        return made
    a = assess_again(run, id_, folder)
    if a.points is None or a.rectified is None or a.disparity is None:
        raise HazcamError(f"{run.file}: {id_}", "was assessed without stereo: one of its pictures "
                          "is missing, or was of no use", "a pair that was assessed in stereo",
                          "give another pair")
    if "points" in files:
        made[files["points"]] = points_ply(a.points, a.rectified, a.settings.terrain.grid)
    if "disparity" in files:
        made[files["disparity"]] = disparity_pfm(a.disparity)
    return made


def _warn_of(run: Run, id_: str) -> None:
    """Say why a pair that is not usable is not to be relied on."""
    row = run.table("assessments", [id_])[0]
    if row["usable"]:
        return
    kind = str(row["unusable_because"])
    why = next((cause["text"] for heading in run.record(id_)["headings"]
                for cause in heading["causes"] if cause["kind"] == kind), kind)
    click.echo(f"warning: {id_}: not to be relied on: {why}; every heading is ask-ground", err=True)


def _write(path: Path, pieces: Iterable[bytes]) -> None:
    """Write beside the place, then move there."""
    beside = path.with_name(f".{path.name}.part")
    try:
        with beside.open("wb") as file:
            file.writelines(pieces)
        beside.replace(path)
    except OSError as error:
        with suppress(OSError):
            beside.unlink()
        raise OutputError(str(path), f"cannot be written: {error.strerror}",
                          "a file in a folder that can be written to",
                          "make the folder, check its permissions and the free space, or give "
                          "another place") from error
    click.echo(f"written: {path}", err=True)
