"""Reports: the JSON record, the text, the figures, the self-contained page, and the files."""

from hazcam.report.record import (
    SCHEMA,
    Record,
    as_record,
    same_record,
    to_json,
    to_json_line,
)
from hazcam.report.text import as_text, summary_text
from hazcam.report.write import prepare_folder, read_record, write_assessment, write_index

__all__ = ["SCHEMA", "Record", "as_record", "as_text", "prepare_folder", "read_record",
           "same_record", "summary_text", "to_json", "to_json_line", "write_assessment",
           "write_index"]
