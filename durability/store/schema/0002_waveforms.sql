-- Waveforms as read, what was measured from them, and files that could not be read.

-- One record of a drop. Its samples stay as read, in g, as encoded by waveform_codec; compressing
-- them a second time would make reading one take seventy times as long.
CREATE TABLE waveform (
    waveform_id UUID PRIMARY KEY DEFAULT uuidv7(),
    drop_id UUID NOT NULL UNIQUE REFERENCES drops (drop_id),
    channel VARCHAR NOT NULL,
    sample_rate_hz DOUBLE NOT NULL CHECK (sample_rate_hz > 0),
    start_s DOUBLE NOT NULL,
    sample_count INTEGER NOT NULL CHECK (sample_count > 0),
    samples BLOB NOT NULL USING COMPRESSION uncompressed,
    -- What the reader worked out by itself, and what the user told it: name → words.
    inferred JSON NOT NULL,
    given JSON NOT NULL,
    -- Sensitivity by which volts became g; NULL when the file was in g or m/s².
    mv_per_g DOUBLE,
    -- Full scale told with the file; NULL when that of the series' sensor holds.
    full_scale_g DOUBLE CHECK (full_scale_g > 0),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE SEQUENCE measures_order;

-- Derived: one row for each time a waveform was measured, with all that the numbers hang on.
-- Instants count from the first sample.
CREATE TABLE pulse_measures (
    pulse_measures_id UUID PRIMARY KEY DEFAULT uuidv7(),
    measures_order BIGINT NOT NULL DEFAULT nextval('measures_order'),
    waveform_id UUID NOT NULL REFERENCES waveform (waveform_id),
    method VARCHAR NOT NULL,
    -- The low-pass filter; all NULL when there was no impact to filter.
    low_pass_method VARCHAR,
    low_pass_hz DOUBLE,
    low_pass_order INTEGER,
    low_pass_padding VARCHAR,
    low_pass_reason VARCHAR,
    low_pass_derived BOOLEAN,
    channel_class DOUBLE,
    -- What was known of the drop and its sensor when it was measured.
    full_scale_g DOUBLE,
    natural_frequency_hz DOUBLE,
    drop_height_mm DOUBLE,
    orientation VARCHAR,
    peak_g DOUBLE,
    raw_peak_g DOUBLE,
    pulse_duration_ms DOUBLE,
    velocity_change_m_s DOUBLE,
    rise_time_ms DOUBLE,
    polarity TINYINT,
    noise_g DOUBLE,
    baseline_before_g DOUBLE,
    baseline_after_g DOUBLE,
    impact_start_s DOUBLE,
    impact_peak_s DOUBLE,
    impact_end_s DOUBLE,
    velocity_from_s DOUBLE,
    velocity_to_s DOUBLE,
    impact_velocity_m_s DOUBLE,
    velocity_ratio DOUBLE,
    restitution DOUBLE,
    peak_uncertainty_g DOUBLE,
    pulse_duration_uncertainty_ms DOUBLE,
    velocity_change_uncertainty_m_s DOUBLE,
    later_impact_s DOUBLE[] NOT NULL,
    later_impact_peak_g DOUBLE[] NOT NULL,
    notes VARCHAR[] NOT NULL,
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- Doubts about a record, each with the number that raised it and its threshold.
CREATE TABLE pulse_flag (
    pulse_measures_id UUID NOT NULL REFERENCES pulse_measures (pulse_measures_id),
    flag_order TINYINT NOT NULL,
    name VARCHAR NOT NULL,
    value DOUBLE,
    threshold DOUBLE,
    words VARCHAR NOT NULL,
    voids BOOLEAN NOT NULL,
    PRIMARY KEY (pulse_measures_id, name)
);

-- A file that a watch could not read: the drop was made, its record is not to be had.
CREATE TABLE file_set_aside (
    file_set_aside_id UUID PRIMARY KEY DEFAULT uuidv7(),
    series_id UUID NOT NULL REFERENCES series (series_id),
    reason VARCHAR NOT NULL CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- The latest measures of each waveform, with its drop and its file. The drop's own peak_g in
-- all_drops may differ: a person may have mended it by hand.
CREATE VIEW latest_measures AS
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

-- Flags of the latest measures: what to look at before a reading is believed.
CREATE VIEW latest_flags AS
SELECT m.series, m.drop_number, f.name, f.value, f.threshold, f.words, f.voids, m.file_name
FROM pulse_flag AS f
JOIN latest_measures AS m ON m.pulse_measures_id = f.pulse_measures_id;
