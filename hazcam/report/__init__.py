"""Reports: the JSON record, the text, the figures, the self-contained page, and the files."""

from hazcam.report.calibration_record import CALIBRATION_SCHEMA, calibration_record
from hazcam.report.calibration_text import calibration_text
from hazcam.report.calibration_write import write_calibration
from hazcam.report.judgement_record import JUDGEMENT_SCHEMA, judgement_record
from hazcam.report.record import (
    SCHEMA,
    Record,
    as_record,
    same_record,
    to_json,
    to_json_line,
)
from hazcam.report.rig_card import rig_card_record, rig_card_text
from hazcam.report.section_record import (
    SECTION_SCHEMA,
    section_along,
    section_record,
    section_text,
)
from hazcam.report.stores import read_demands, read_store, read_terrain
from hazcam.report.text import as_text, summary_text
from hazcam.report.write import (
    prepare_folder,
    read_record,
    write_assessment,
    write_files,
    write_index,
    write_rig_card,
    write_section,
)
from hazcam.stored_npz import DEMANDS_SCHEMA, TERRAIN_SCHEMA

__all__ = ["CALIBRATION_SCHEMA", "DEMANDS_SCHEMA", "JUDGEMENT_SCHEMA", "SCHEMA", "SECTION_SCHEMA",
           "TERRAIN_SCHEMA", "Record", "as_record", "as_text", "calibration_record",
           "calibration_text", "judgement_record", "prepare_folder", "read_demands", "read_record",
           "read_store", "read_terrain", "rig_card_record", "rig_card_text", "same_record",
           "section_along", "section_record", "section_text", "summary_text", "to_json",
           "to_json_line", "write_assessment", "write_calibration", "write_files", "write_index",
           "write_rig_card", "write_section"]
