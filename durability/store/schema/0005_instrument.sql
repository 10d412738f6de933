-- The instrument behind a reading: calibrations as a history, cross axes, the fall in a record.

-- One calibration, as its certificate says. What a sensor was added with stands in sensor and
-- opens its history.
CREATE TABLE calibration (
    calibration_id UUID PRIMARY KEY DEFAULT uuidv7(),
    sensor_id UUID NOT NULL REFERENCES sensor (sensor_id),
    calibrated_on DATE NOT NULL,
    calibration_due DATE NOT NULL CHECK (calibration_due > calibrated_on),
    -- Before any adjustment; NULL when the certificate does not say.
    as_found_mv_per_g DOUBLE CHECK (as_found_mv_per_g > 0),
    as_left_mv_per_g DOUBLE NOT NULL CHECK (as_left_mv_per_g > 0),
    -- A larger drift since the calibration before puts the drops in between in doubt.
    drift_tolerance_pct DOUBLE NOT NULL CHECK (drift_tolerance_pct > 0),
    certificate VARCHAR,
    laboratory VARCHAR,
    interval_reason VARCHAR,
    note VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- A calibration entered in error is kept, and holds no longer.
CREATE TABLE calibration_void (
    calibration_id UUID PRIMARY KEY REFERENCES calibration (calibration_id),
    reason VARCHAR NOT NULL CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- Calibrations that hold, each with its change of interval, the drift that it found, and what the
-- next one found. Drift is of the sensitivity, from left to found: a sensor that has gained reads
-- too high. The day of the first may not be known.
CREATE VIEW all_calibrations AS
WITH entered AS (
    SELECT * FROM calibration WHERE calibration_id NOT IN (SELECT calibration_id FROM calibration_void)
),
told AS (
    SELECT
        sensor_id, calibrated_on, calibration_due, as_found_mv_per_g, as_left_mv_per_g,
        drift_tolerance_pct, certificate, laboratory, interval_reason, note, calibration_id, entry_id
    FROM entered
    UNION ALL
    SELECT
        n.sensor_id, n.calibrated_on, n.calibration_due, NULL, n.sensitivity_mv_per_g, NULL, NULL,
        NULL, NULL, NULL, NULL, n.entry_id
    FROM sensor AS n
    WHERE coalesce(n.sensitivity_mv_per_g::VARCHAR, n.calibrated_on::VARCHAR, n.calibration_due::VARCHAR)
            IS NOT NULL
        -- The same calibration told again, with its certificate, takes its place.
        AND NOT EXISTS (
            SELECT 1 FROM entered AS c
            WHERE c.sensor_id = n.sensor_id AND c.calibrated_on = n.calibrated_on)
),
followed AS (
    SELECT
        *, date_diff('day', calibrated_on, calibration_due) AS interval_days,
        row_number() OVER of_sensor = 1 AS is_first,
        lag(calibrated_on) OVER of_sensor AS calibrated_before_on,
        100 * (as_found_mv_per_g / lag(as_left_mv_per_g) OVER of_sensor - 1) AS drift_pct
    FROM told
    WINDOW of_sensor AS (PARTITION BY sensor_id ORDER BY calibrated_on NULLS FIRST)
)
SELECT
    n.code AS sensor, c.* EXCLUDE (sensor_id, entry_id),
    lag(c.interval_days) OVER of_sensor AS interval_days_before,
    lead(c.calibrated_on) OVER of_sensor AS next_calibrated_on,
    lead(c.drift_pct) OVER of_sensor AS next_drift_pct,
    lead(c.drift_tolerance_pct) OVER of_sensor AS next_tolerance_pct,
    e.entered_by, e.entered_at_utc
FROM followed AS c
JOIN sensor AS n ON n.sensor_id = c.sensor_id
JOIN entry AS e ON e.entry_id = c.entry_id
WINDOW of_sensor AS (PARTITION BY c.sensor_id ORDER BY c.calibrated_on NULLS FIRST);

-- Each drop of a sensor with the calibration that held on its day, and how far its reading may be
-- off: by the drift that was found later, up to which it reads too high, and by a sensitivity other
-- than the one that held, by which it was scaled. Before the first calibration on record that one
-- holds; a drop without a date counts on the day of its entry. Nothing is rescaled.
CREATE VIEW calibrated_drops AS
WITH dated AS (
    SELECT
        d.drop_id, d.series, d.drop_number, d.sensor, d.status,
        coalesce(d.dropped_at, d.entered_at_utc) AS moment, w.mv_per_g,
        w.given ->> '$.mv_per_g' IS NOT NULL AS is_scale_given
    FROM all_drops AS d
    LEFT JOIN waveform AS w ON w.drop_id = d.drop_id
    WHERE d.sensor IS NOT NULL
)
SELECT
    d.drop_id, d.series, d.drop_number, d.sensor, d.status, d.moment, c.calibrated_on,
    c.calibration_due, c.as_left_mv_per_g, c.certificate,
    d.moment::DATE > c.calibration_due AS is_overdue, c.is_first,
    c.next_calibrated_on, c.next_drift_pct, c.next_tolerance_pct,
    coalesce(abs(c.next_drift_pct) > c.next_tolerance_pct, false) AS is_drifted,
    d.mv_per_g AS applied_mv_per_g,
    CASE WHEN NOT d.is_scale_given AND abs(c.as_left_mv_per_g / d.mv_per_g - 1) > 1e-9
        THEN 100 * (c.as_left_mv_per_g / d.mv_per_g - 1) END AS scaled_off_pct
FROM dated AS d
LEFT JOIN all_calibrations AS c
    ON c.sensor = d.sensor
    AND (c.is_first OR c.calibrated_on <= d.moment::DATE)
    AND (c.next_calibrated_on IS NULL OR d.moment::DATE < c.next_calibrated_on);

-- The axes across that of the impact, as read, in g and encoded like those of waveform.
CREATE TABLE cross_record (
    waveform_id UUID NOT NULL REFERENCES waveform (waveform_id),
    cross_order TINYINT NOT NULL,
    channel VARCHAR NOT NULL,
    samples BLOB NOT NULL USING COMPRESSION uncompressed,
    mv_per_g DOUBLE,
    PRIMARY KEY (waveform_id, channel)
);

-- Derived: the largest of each across the impact; and the fall, where the record holds its release.
ALTER TABLE pulse_measures ADD COLUMN cross_channel VARCHAR[];
ALTER TABLE pulse_measures ADD COLUMN cross_peak_g DOUBLE[];
ALTER TABLE pulse_measures ADD COLUMN fall_time_s DOUBLE;
ALTER TABLE pulse_measures ADD COLUMN fall_time_uncertainty_s DOUBLE;

CREATE OR REPLACE VIEW latest_measures AS
SELECT
    s.code AS series, d.drop_number, d.drop_id, w.channel, w.sample_rate_hz, w.sample_count,
    e.file_name, e.file_sha256, m.* EXCLUDE (entry_id), r.program_version,
    r.entered_at_utc AS measured_at_utc
FROM pulse_measures AS m
JOIN waveform AS w ON w.waveform_id = m.waveform_id
JOIN entry AS e ON e.entry_id = w.entry_id
JOIN entry AS r ON r.entry_id = m.entry_id
JOIN drops AS d ON d.drop_id = w.drop_id
JOIN series AS s ON s.series_id = d.series_id
QUALIFY row_number() OVER (PARTITION BY m.waveform_id ORDER BY m.measures_order DESC) = 1;
