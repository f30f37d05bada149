"""From volts to newtons: a probe's calibration files, what follows from them, how well."""

from engine.calibration.calibrate import (
    CalibratedProbe,
    calibrate_folder,
    probe_record,
    stiff_arrays,
)
from engine.calibration.terms import SharedTerms, shared_terms
from engine.calibration.values import (
    FROM_STIFF,
    FROM_TABLE,
    FROM_THERMAL,
    ProbeValues,
    table_values,
)

__all__ = [
    "FROM_STIFF",
    "FROM_TABLE",
    "FROM_THERMAL",
    "CalibratedProbe",
    "ProbeValues",
    "SharedTerms",
    "calibrate_folder",
    "probe_record",
    "shared_terms",
    "stiff_arrays",
    "table_values",
]
