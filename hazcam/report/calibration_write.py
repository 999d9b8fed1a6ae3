"""Writing a solved rig and its report into a folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hazcam.calibration import write_rig
from hazcam.calibration.solution import RigSolution
from hazcam.imagery.pair import Picture
from hazcam.report.calibration_figures import coverage_figure, views_figure
from hazcam.report.calibration_held_out import held_out_figure
from hazcam.report.calibration_maps import effect_figure
from hazcam.report.calibration_page import calibration_page
from hazcam.report.calibration_record import calibration_record
from hazcam.report.calibration_residuals import residuals_figure
from hazcam.report.calibration_sheet import contact_sheet
from hazcam.report.record import Record, to_json
from hazcam.report.write import prepare_folder, write_files


def write_calibration(
    solution: RigSolution, pictures: Mapping[str, Picture], folder: Path, inputs: Mapping[str, Any]
) -> Record:
    """Write NAME.yaml (of the rig), calibration.html, and calibration.json last.

    Parameters
    ----------
    solution : RigSolution
        What to write.
    pictures : mapping of str to ndarray of shape (H, W), uint8
        Grey, by the names in ``ViewReport``, for the page; one that is lacking is said to be.
    folder : Path
        Made if it is not there.
    inputs : mapping
        For the record: paths relative to ``folder``, and the options.

    Returns
    -------
    dict
        The record that was written.

    Raises
    ------
    OutputError
        The folder cannot be made or written to.
    """
    record = calibration_record(solution, inputs=inputs)
    prepare_folder(folder)  # before the figures, which take their time
    html = calibration_page(
        record, effect=effect_figure(solution), held_out=held_out_figure(solution),
        coverage=coverage_figure(solution), views=views_figure(solution),
        residuals=residuals_figure(solution), sheet=contact_sheet(solution, pictures))
    write_rig(solution.rig, folder / f"{solution.rig.name}.yaml")
    write_files(folder, {"calibration.html": html, "calibration.json": to_json(record)})
    return record
