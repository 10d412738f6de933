-- How the sensor was fixed to the device, sensitivity by amplitude, and the peak of three axes.

CREATE SEQUENCE mounting_order;

-- From which drop of a series its sensor was mounted in which way (ISO 5348); the latest entry for
-- a drop holds, and 'unchanged' takes back one that was entered in error.
CREATE TABLE sensor_mounting (
    sensor_mounting_id UUID PRIMARY KEY DEFAULT uuidv7(),
    series_id UUID NOT NULL REFERENCES series (series_id),
    from_drop_number INTEGER NOT NULL CHECK (from_drop_number >= 1),
    mounting VARCHAR NOT NULL,
    note VARCHAR,
    mounting_order BIGINT NOT NULL DEFAULT nextval('mounting_order'),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- Mountings that hold. One from a later drop than the first means that the sensor was taken off.
CREATE VIEW mountings AS
SELECT s.series_id, s.code AS series, m.from_drop_number, m.mounting, m.note, m.from_drop_number > 1 AS is_remount
FROM (
    FROM sensor_mounting
    QUALIFY row_number() OVER (
        PARTITION BY series_id, from_drop_number ORDER BY mounting_order DESC) = 1
) AS m
JOIN series AS s ON s.series_id = m.series_id
WHERE m.mounting <> 'unchanged';

-- Sensitivity of a sensor at peaks of shock, as a certificate by ISO 16063-22 lists it.
CREATE TABLE shock_sensitivity (
    calibration_id UUID NOT NULL REFERENCES calibration (calibration_id),
    peak_g DOUBLE NOT NULL CHECK (peak_g > 0),
    mv_per_g DOUBLE NOT NULL CHECK (mv_per_g > 0),
    PRIMARY KEY (calibration_id, peak_g)
);

-- Largest resultant of three axes in the impact (ASTM D6537); NULL with fewer.
ALTER TABLE pulse_measures ADD COLUMN resultant_peak_g DOUBLE;

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
