"""What the columns of a validation's tables hold, and how their values are written."""

from palpate.reporting.text_tables import Column, count, number

RECORD_COLUMNS = (
    Column("record", "record", str),
    Column("lead", "lead", str),
    Column("beats", "beats", count),
    Column("missed", "missed", count),
    Column("extra", "extra", count),
    Column("sensitivity_pct", "Se (%)", number(2)),
    Column("positive_predictivity_pct", "+P (%)", number(2)),
    Column("f1_pct", "F1 (%)", number(2)),
    Column("f1_50ms_pct", "F1 at 50 ms (%)", number(2)),
    Column("rr_error_rms_ms", "RR error (ms)", number(2)),
    Column("timing_median_ms", "timing (ms)", number(1)),
    Column("runtime_ms", "run time (ms)", number(0)),
)
TOTAL_COLUMNS = tuple(
    column for column in RECORD_COLUMNS if column.key not in ("lead", "timing_median_ms")
)
CLASS_COLUMNS = (
    Column("class", "class", str),
    Column("meaning", "beats of this class", str),
    Column("beats", "beats", count),
    Column("missed", "missed", count),
    Column("sensitivity_pct", "Se (%)", number(2)),
)
STRESS_COLUMNS = (
    Column("snr_db", "SNR (dB)", number(0)),
    Column("beats", "beats", count),
    Column("missed", "missed", count),
    Column("extra", "extra", count),
    Column("sensitivity_pct", "Se (%)", number(2)),
    Column("positive_predictivity_pct", "+P (%)", number(2)),
    Column("f1_pct", "F1 (%)", number(2)),
)
