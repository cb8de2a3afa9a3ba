"""A run under another calibration: the raw counts stay, the engineering columns are computed anew."""

from __future__ import annotations

from dataclasses import replace

from rig.calibration import Calibration
from rig.runs.file import Run


def recompute(run: Run, calibration: Calibration) -> Run:
    """Give the run with its engineering columns computed from its raw counts.

    Columns whose raw counts or calibration are not there stay as they are, and so does the file. The header
    then carries the channels of the new calibration, and the old ones where the new has none.

    Raises
    ------
    FileError
        If the calibration in the run's own header cannot be read.
    """
    header = run.header
    old = Calibration.from_tables(header.tables.get("calibration", {}), run.path)
    columns = {**run.columns, **calibration.apply(run.columns, header.mount_deg)}
    in_force = replace(
        calibration,
        load=calibration.load or old.load,
        travel=calibration.travel or old.travel,
        angle=calibration.angle or old.angle,
        tip=calibration.tip or old.tip,
        chuck=calibration.chuck or old.chuck,
        lag=calibration.lag or old.lag,
    )
    tables = {**header.tables, "calibration": in_force.to_tables()}
    return replace(run, columns=columns, header=replace(header, tables=tables))
