"""``hazcam calibrate convert``: a rig in another form."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from pathlib import Path

import click

from hazcam.calibration import StereoRig, read_rig
from hazcam.calibration.interchange import (
    EXTRAS,
    FORMS,
    Extra,
    Form,
    camera_info_texts,
    opencv_texts,
    rig_text,
)
from hazcam.calibration.io import write_forms
from hazcam.cli import options
from hazcam.cli.calibrate.output import refuse_to_overwrite
from hazcam.cli.errors import user_errors

_TEXTS: dict[Form, Callable[[StereoRig, Collection[Extra]], dict[str, str]]] = {
    "camera-info": camera_info_texts, "opencv": opencv_texts,
}


def _size(
    ctx: click.Context, param: click.Parameter, text: str | None
) -> tuple[int, int] | None:
    if text is None:
        return None
    match = re.fullmatch(r"([1-9]\d{0,4})[xX]([1-9]\d{0,4})", text.strip())
    if match is None:
        raise click.BadParameter(f"{text!r} is not WIDTHxHEIGHT, for example 640x480", ctx, param)
    return int(match[1]), int(match[2])


@click.command()
@click.argument("rig", type=options.FILE, metavar="RIG")
@click.argument("right", type=options.FILE, required=False, metavar="[RIGHT]")
@click.option("--to", "form", type=click.Choice(FORMS), required=True,
              help="rig: all in one file (schema hazcam-rig/1). camera-info: left.yaml and "
                   "right.yaml. opencv: intrinsics.yml and extrinsics.yml, as OpenCV's stereo "
                   "sample writes them. The last two put the mount into mount.yaml.")
@click.option("-o", "--output", type=options.OutputFolder(), required=True, metavar="OUT",
              help="The file to write (rig), or the folder (camera-info, opencv).")
@click.option("--mount", type=options.FILE, metavar="FILE",
              help="YAML with mount_R and mount_t, to go with a rig that has none.")
@click.option("--size", callback=_size, metavar="WIDTHxHEIGHT",
              help="Size of the pictures, which OpenCV's intrinsics and extrinsics do not hold.")
@click.option("--without", multiple=True, type=click.Choice(EXTRAS),
              help="Leave it out; what the form cannot hold must be. May be given several times.")
@click.option("--force", is_flag=True, help="Overwrite what is there.")
def convert(
    rig: Path, right: Path | None, form: Form, output: Path, mount: Path | None,
    size: tuple[int, int] | None, without: tuple[Extra, ...], force: bool,
) -> None:
    """Write a rig in another form.

    RIG is a rig file; with RIGHT the camera_info of the left camera and of the right one, or the
    intrinsics.yml and extrinsics.yml of OpenCV's stereo sample (T in metres), whose picture size
    must be given. What a form cannot hold is refused with its name: covariance, noise and
    provenance unless they are given up by --without; a fisheye lens in the files of OpenCV's
    sample, which do not say their lens model; thin prism, tilt and skew in any.

    Exit status: 0 converted; 1 an input failed or cannot be represented; 2 wrong usage.
    """
    with user_errors():
        found = read_rig(rig, right, mount=mount, bare=True, size=size)
        if form == "rig":
            folder, texts = output.parent, {output.name: rig_text(found, without)}
        else:
            folder, texts = output, _TEXTS[form](found, without)
        refuse_to_overwrite([folder / name for name in texts], force)
        write_forms(texts, folder)
    for name in texts:
        click.echo(f"written: {folder / name}", err=True)
    if form == "opencv":
        click.echo(f"note: these files do not hold the picture size: read them with --size "
                   f"{found.size[0]}x{found.size[1]}", err=True)
    if found.mount is None:
        click.echo(_no_mount(form, rig), err=True)


def _no_mount(form: Form, rig: Path) -> str:
    """That the rig has no mount, and where one may be."""
    so = "" if form == "rig" else ", so there is no mount.yaml"
    beside = rig.parent / "mount.yaml"
    remedy = (f"; {beside} lies beside it: give --mount {beside}" if beside.is_file()
              else "; `hazcam calibrate mount` measures it")
    return f"note: the rig has no mount{so}{remedy}"
