"""One line for each exported column, flag, event, state and kind; `reference` prints them.

A test compares them with the tables and enumerations of the code.
"""

from __future__ import annotations

from logger.rows import (
    AlarmKind,
    ChangeKind,
    FaultChangeKind,
    FaultState,
    Flag,
    Severity,
)

# By column, or by table and column where a name has another meaning in that table.
COLUMNS = {
    "id": "Number of the row.",
    "start_utc": "First pair above the threshold.",
    "end_utc": "Last pair above the threshold; the hang time is not counted.",
    "time_utc": "Time of the row.",
    "duration_s": "From the first to the last pair.",
    "samples": "Number of pairs.",
    "forward_w_mean": "Mean forward power.",
    "forward_w_max": "Highest forward power.",
    "reflected_w_mean": "Mean reflected power.",
    "reflected_w_max": "Highest reflected power.",
    "swr": "From the summed reflected and forward power of the settled pairs; empty below the"
    " readable floor.",
    "swr_low": "Lower end of the 95 % interval of the true SWR.",
    "swr_high": "Upper end of the 95 % interval of the true SWR.",
    "swr_max": "Highest SWR over any window of `watchdog.high_swr.hold_ms`; 999 for a reflection"
    " coefficient of 1 or more.",
    "energy_j": "Incident energy.",
    "antenna": "Antenna in use, if antennas are configured and it is known.",
    "channel": "Channel, if known.",
    "frequency_khz": "Frequency, if known.",
    "days.frequency_khz": "Median of the frequencies in a segment of a band; empty on a channel.",
    "calibration_id": "Calibration with which the row was computed.",
    "flags": "Words joined by spaces; see Flags.",
    "swr_noise_low": "Lower end of the 95 % interval from noise alone, for judging changes.",
    "swr_noise_high": "Upper end of the 95 % interval from noise alone, for judging changes.",
    "settled_samples": "Number of pairs from which `swr` was computed.",
    "energy_low_j": "Lower end of the 95 % interval of the energy.",
    "energy_high_j": "Upper end of the 95 % interval of the energy.",
    "forward_w": "Mean forward power.",
    "reflected_w": "Mean reflected power.",
    "transmission_id": "Transmission to which the row belongs.",
    "forward_v": "Mean volts of the forward detector.",
    "reflected_v": "Mean volts of the reflected detector.",
    "samples.forward_v": "Volts of the forward detector, exactly as the driver delivered them.",
    "samples.reflected_v": "Volts of the reflected detector, exactly as the driver delivered them.",
    "kind": "See Alarms.",
    "journal.kind": "repair, adjustment, antenna, weather or remark.",
    "severity": "warning or critical.",
    "raised_utc": "Time of raising.",
    "cleared_utc": "Time of clearing; empty while the alarm is open.",
    "acknowledged_utc": "Time of the acknowledgement.",
    "value": "Value that raised the alarm, if it has one.",
    "limit": "Limit that the value exceeded, if there is one.",
    "detail": "One line on what happened.",
    "shelved_until_utc": "End of the shelving of this kind of alarm.",
    "capture_id": "Capture of the pairs around it.",
    "fault_id": "Fault to which it belongs.",
    "duration_ms": "From the first pair that departed to the first that did not.",
    "swr_peak": "Most extreme SWR of the excursion.",
    "swr_beside": "SWR just before and after the excursion.",
    "state": "See Faults.",
    "opened_utc": "Time of the alarm that opened the fault.",
    "last_sign_utc": "Last excursion, or the time when the last alarm cleared.",
    "closed_utc": "Time of closing.",
    "summary": "One line on what is known.",
    "probable_cause": "Likeliest cause by the last diagnosis.",
    "probability": "Probability of that cause, 0 to 1.",
    "channels": "Channels of its signs, joined by spaces.",
    "antennas": "Antennas of its signs, joined by commas.",
    "alarms": "Number of its alarms.",
    "excursions": "Number of its excursions.",
    "open_time_s": "Sum of the durations of its excursions.",
    "transmissions_since": "Transmissions after the last sign.",
    "journal_id": "Journal entry of the repair.",
    "first_utc": "First pair of the capture.",
    "last_utc": "Last pair of the capture.",
    "alarm_ids": "Alarms in the capture, joined by spaces.",
    "excursion_ids": "Excursions in the capture, joined by spaces.",
    "text": "Text of the entry.",
    "far_end": "State of the far end of the line: open or short.",
    "loss_db": "Measured loss, one way.",
    "loss_low_db": "Lower end of the 95 % interval of the loss.",
    "loss_high_db": "Upper end of the 95 % interval of the loss.",
    "line_losses.swr": "SWR during the measurement.",
    "line_losses.forward_w": "Forward power during the measurement.",
    "cable": "Cable in the configuration at that time.",
    "length_m": "Length in the configuration at that time.",
    "nominal_db": "Nominal loss of such a line.",
    "nominal_low_db": "Lowest published loss of such a line.",
    "nominal_high_db": "Highest published loss of such a line.",
    "verdict": "Verdict of the check: fine, drifting or recalibrate.",
    "port": "What changed: forward, reflected, both, transmitter, load, or undetermined.",
    "drift_db": "By how many dB it reads more than at the calibration.",
    "drift_u_db": "Standard uncertainty of `drift_db`.",
    "since_utc": "First check after the change.",
    "verifications.forward_w": "Forward power into the dummy load.",
    "verifications.reflected_w": "Reflected power of the dummy load.",
    "open_forward_w": "Forward power into the open end; empty if it was left out.",
    "open_reflected_w": "Reflected power of the open end.",
    "reference_w": "Power shown by a reference meter; empty without one.",
    "forward_db": "Forward power in dB above the meter's, or above 1 W without a meter.",
    "forward_u_db": "Repeatability of `forward_db`, one standard deviation.",
    "forward_expected_u_db": "Standard uncertainty of its prediction; empty if none.",
    "load_db": "Reflected over forward power on the load in dB, less the prediction if any.",
    "load_u_db": "Repeatability of `load_db`, one standard deviation.",
    "load_expected_u_db": "Standard uncertainty of its prediction; empty if none.",
    "open_db": "The same as `load_db`, of the open end.",
    "open_u_db": "Repeatability of `open_db`, one standard deviation.",
    "open_expected_u_db": "Standard uncertainty of its prediction; empty if none.",
    "verifications.transmission_id": "Transmission into the load.",
    "open_transmission_id": "Transmission into the open end.",
    "date": "UTC day.",
    "days.swr": "Median SWR of the day's transmissions.",
    "spread": "Robust standard deviation of the day's SWR.",
    "transmissions": "Number of transmissions.",
    "power_w": "Mean forward power.",
    "temperature_c": "Mean temperature.",
    "rain_mm": "Rain since the row before.",
    "wind_m_s": "Mean wind speed.",
    "health.duration_s": "Time that the row covers, about a minute.",
    "pairs": "Pairs read.",
    "pairs_per_s": "Mean rate of pairs.",
    "gaps": "Silences of more than a second.",
    "input_dropped": "Input dropped by the driver.",
    "queue_max": "Longest queue of batches for the store.",
    "rows_dropped": "Rows dropped because memory was full.",
    "commits": "Commits of the store.",
    "commit_ms_mean": "Mean duration of a commit.",
    "commit_ms_max": "Longest commit.",
    "commits_failed": "Failed commits.",
    "clock_synchronised": "True if the host's clock was synchronised.",
    "clock_step_ms": "Amount by which the host's clock was set.",
    "forwarder_backlog": "Rows waiting for servers.",
}

SAMPLES = ("time_utc", "forward_v", "reflected_v")  # columns of raw pairs, which have no table

# Fields that points have besides the columns of their table.
POINT_FIELDS = {
    "change": "The change of the alarm or fault, at whose time the point is.",
    "severity_level": "1 warning, 2 critical.",
    "open": "1 or 0, as of the change.",
    "duration_s": "From raising to clearing, or from opening to closing.",
    "count": "Always 1.",
    "calibration_change": "1 if the calibration is another than that of the transmission before.",
}

FLAGS = {
    Flag.BELOW_FLOOR: "Power below the readable floor: the watts are valid, the SWR is empty.",
    Flag.CLIPPED: "A converter was at its limit.",
    Flag.EXTRAPOLATED: "Outside the range of the bench points.",
    Flag.UNSETTLED: "Too near a key-down or key-up for the detectors to have settled.",
    Flag.GAP: "Pairs are missing within the row.",
    Flag.INTERRUPTED: "The daemon ended before the transmission did.",
    Flag.RELATIVE: "Watts are relative: the calibration has no power reference.",
    Flag.CLOCK_STEP: "A clock was set at about that time; the time may be wrong.",
    Flag.ENVELOPE: "The envelope outpaced the detectors: mean watts and energy are estimates.",
}

ALARM_KINDS = {
    AlarmKind.HIGH_SWR: "SWR above the limit.",
    AlarmKind.HIGH_REFLECTED_POWER: "Reflected power above the limit.",
    AlarmKind.SUDDEN_CHANGE: "The reflection changed within a transmission and stayed changed.",
    AlarmKind.INTERMITTENT_CONTACT: "Excursions are more frequent than usual.",
    AlarmKind.HEATING_JOINT: "Reflection rises while the key is down and recovers at rest.",
    AlarmKind.BASELINE_SHIFT: "Transmissions are at another level than forecast for the channel.",
    AlarmKind.DETECTOR_FAULT: "Coupler, detector or converter gives implausible readings.",
    AlarmKind.NO_DATA: "No pairs arrive from the bridge.",
}

ALARM_CHANGES = {
    ChangeKind.RAISED: "The condition began.",
    ChangeKind.CLEARED: "The condition ended.",
    ChangeKind.ACKNOWLEDGED: "Somebody has seen it.",
}

FAULT_STATES = {
    FaultState.OPEN: "Signs still occur, or the time without one is still short.",
    FaultState.QUIET: "No sign for so long that one was expected; not repaired.",
    FaultState.VERIFYING: "A repair is in the journal; transmissions are being compared.",
    FaultState.CLOSED: "Fixed, or quiet for `faults.close_after_days`.",
}

FAULT_CHANGES = {
    FaultChangeKind.OPENED: "An alarm opened the fault.",
    FaultChangeKind.WORSENED: "Its first critical alarm.",
    FaultChangeKind.EXPLAINED: "A cause has become likely, or another one than before; or the fault"
    " is of the instrument, not of the feedline.",
    FaultChangeKind.QUIET: "No sign for so long that one was expected.",
    FaultChangeKind.REPAIRED: "A repair or adjustment in the journal; the verification starts.",
    FaultChangeKind.RETURNED: "A sign came back; if the readings had recovered by themselves, a"
    " fault of the instrument may then turn out to be one of the feedline.",
    FaultChangeKind.CLOSED: "Fixed, or quiet for long enough.",
}

SEVERITIES = {
    Severity.WARNING: "Look at it before the next long transmission.",
    Severity.CRITICAL: "The alarms high-swr and high-reflected-power: release the key.",
}


def describe(table: str, column: str) -> str:
    """Return the description of a column. Raise KeyError if it has none."""
    return COLUMNS.get(f"{table}.{column}") or COLUMNS[column]
