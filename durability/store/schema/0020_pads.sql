-- The pad of a case model, by which its peaks have a place on a cushion curve; and the uncertainty
-- that a calibration or a mounting brings to readings.

-- What a case model rests its load on; the latest entry for a model holds.
CREATE TABLE model_pad (
    model_pad_id UUID PRIMARY KEY DEFAULT uuidv7(),
    case_model VARCHAR NOT NULL CHECK (trim(case_model) <> ''),
    pad_area_mm2 DOUBLE NOT NULL CHECK (pad_area_mm2 > 0 AND isfinite(pad_area_mm2)),
    pad_thickness_mm DOUBLE CHECK (pad_thickness_mm > 0 AND isfinite(pad_thickness_mm)),
    -- The case with what is in it.
    mass_g DOUBLE NOT NULL CHECK (mass_g > 0 AND isfinite(mass_g)),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE VIEW model_pads AS
SELECT
    p.case_model, p.pad_area_mm2, p.pad_thickness_mm, p.mass_g, e.entered_by, e.entered_at_utc
FROM (
    FROM model_pad
    QUALIFY row_number() OVER (
        PARTITION BY case_model ORDER BY entry_id DESC, model_pad_id DESC) = 1
) AS p
JOIN entry AS e ON e.entry_id = p.entry_id;

-- Expanded, with a coverage factor of 2, in percent of a reading; NULL: not stated.
ALTER TABLE calibration ADD COLUMN uncertainty_pct DOUBLE;
ALTER TABLE sensor_mounting ADD COLUMN uncertainty_pct DOUBLE;

CREATE OR REPLACE VIEW mountings AS
SELECT
    s.series_id, s.code AS series, m.from_drop_number, m.mounting, m.note,
    m.from_drop_number > 1 AS is_remount, m.uncertainty_pct
FROM (
    FROM sensor_mounting
    QUALIFY row_number() OVER (
        PARTITION BY series_id, from_drop_number ORDER BY entry_id DESC, mounting_order DESC) = 1
) AS m
JOIN series AS s ON s.series_id = m.series_id
WHERE m.mounting <> 'unchanged';

-- As before, with its uncertainty.
CREATE OR REPLACE VIEW all_calibrations AS
WITH entered AS (
    SELECT * FROM calibration WHERE calibration_id NOT IN (SELECT calibration_id FROM calibration_void)
),
told AS (
    SELECT
        sensor_id, calibrated_on, calibration_due, as_found_mv_per_g, as_left_mv_per_g,
        drift_tolerance_pct, certificate, laboratory, interval_reason, note, calibration_id,
        entry_id, uncertainty_pct
    FROM entered
    UNION ALL
    SELECT
        n.sensor_id, n.calibrated_on, n.calibration_due, NULL, n.sensitivity_mv_per_g, NULL, NULL,
        NULL, NULL, NULL, NULL, n.entry_id, NULL
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
