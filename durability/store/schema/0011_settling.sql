-- Drops declared beforehand as conditioning; why a case that had failed was used anyway.

-- So many first drops of the series settle the case: they count in its number, age, dose and
-- damage, and are left out of verdict, rise, alarm and comparison. NULL or 0: none.
ALTER TABLE series ADD COLUMN settling_drops INTEGER;

-- Why a case that had failed, or was not in use, was used by this act; NULL where none was.
ALTER TABLE entry ADD COLUMN despite_failed VARCHAR;

-- As before, with the drops declared as conditioning.
CREATE OR REPLACE VIEW all_series AS
WITH mended AS (
    SELECT
        record_id,
        max(new_value) FILTER (column_name = 'drop_height_mm')::DOUBLE AS drop_height_mm,
        max(new_value) FILTER (column_name = 'surface') AS surface,
        max(new_value) FILTER (column_name = 'orientation') AS orientation,
        max(new_value) FILTER (column_name = 'sensor') AS sensor,
        max(new_value) FILTER (column_name = 'method') AS method,
        max(new_value) FILTER (column_name = 'fixture') AS fixture,
        max(new_value) FILTER (column_name = 'conditioning') AS conditioning,
        max(new_value) FILTER (column_name = 'settling_drops')::INTEGER AS settling_drops,
        max(new_value) FILTER (column_name = 'note') AS note,
        max(new_value) FILTER (column_name = 'status') AS status
    FROM latest_amendment
    WHERE record_table = 'series'
    GROUP BY record_id
)
SELECT
    s.series_id, s.code AS series,
    s.device_id, d.specimen AS device, d.kind AS device_kind, d.model AS device_model,
    s.case_id, c.specimen AS "case", c.model AS case_model,
    coalesce(m.drop_height_mm, s.drop_height_mm) AS drop_height_mm,
    coalesce(m.surface, s.surface) AS surface,
    coalesce(m.orientation, s.orientation) AS orientation,
    coalesce(m.sensor, n.code) AS sensor,
    s.purpose,
    coalesce(m.method, s.method) AS method,
    coalesce(m.fixture, s.fixture) AS fixture,
    coalesce(m.conditioning, s.conditioning) AS conditioning,
    coalesce(m.settling_drops, s.settling_drops) AS settling_drops,
    coalesce(m.note, s.note) AS note,
    coalesce(m.status, 'open') AS status,
    e.file_name, e.file_sha256, s.source_row, e.entered_by, e.entered_at_utc
FROM series AS s
JOIN entry AS e USING (entry_id)
LEFT JOIN all_specimens AS d ON d.specimen_id = s.device_id
LEFT JOIN all_specimens AS c ON c.specimen_id = s.case_id
LEFT JOIN sensor AS n ON n.sensor_id = s.sensor_id
LEFT JOIN mended AS m ON m.record_id = s.series_id;
