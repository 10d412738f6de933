-- A record that went on growing after it was taken: the longer one is kept beside the first, which
-- stays. The table is laid down again, since it held one record a drop.
CREATE TABLE any_waveform (
    waveform_id UUID PRIMARY KEY DEFAULT uuidv7(),
    drop_id UUID NOT NULL,
    channel VARCHAR NOT NULL,
    sample_rate_hz DOUBLE NOT NULL CHECK (sample_rate_hz > 0),
    start_s DOUBLE NOT NULL,
    sample_count INTEGER NOT NULL CHECK (sample_count > 0),
    samples BLOB NOT NULL USING COMPRESSION uncompressed,
    inferred JSON NOT NULL,
    given JSON NOT NULL,
    mv_per_g DOUBLE,
    full_scale_g DOUBLE CHECK (full_scale_g > 0),
    entry_id UUID NOT NULL
);
INSERT INTO any_waveform BY NAME SELECT * FROM waveform;
DROP TABLE waveform;
ALTER TABLE any_waveform RENAME TO waveform;

-- The record of each drop: the longest of a file that grew.
CREATE VIEW latest_waveforms AS
FROM waveform
QUALIFY row_number() OVER (PARTITION BY drop_id ORDER BY waveform_id DESC) = 1;

CREATE OR REPLACE VIEW latest_measures AS
SELECT
    s.code AS series, d.drop_number, d.drop_id, w.channel, w.sample_rate_hz, w.sample_count,
    e.file_name, e.file_sha256, m.* EXCLUDE (entry_id), r.program_version,
    r.entered_at_utc AS measured_at_utc
FROM pulse_measures AS m
JOIN latest_waveforms AS w ON w.waveform_id = m.waveform_id
JOIN entry AS e ON e.entry_id = w.entry_id
JOIN entry AS r ON r.entry_id = m.entry_id
JOIN drops AS d ON d.drop_id = w.drop_id
JOIN series AS s ON s.series_id = d.series_id
QUALIFY row_number() OVER (PARTITION BY m.waveform_id ORDER BY m.measures_order DESC) = 1;

CREATE OR REPLACE VIEW calibrated_drops AS
WITH dated AS (
    SELECT
        d.drop_id, d.series, d.drop_number, d.sensor, d.status,
        coalesce(d.dropped_at, d.entered_at_utc) AS moment, w.mv_per_g,
        w.given ->> '$.mv_per_g' IS NOT NULL AS is_scale_given
    FROM all_drops AS d
    LEFT JOIN latest_waveforms AS w ON w.drop_id = d.drop_id
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
