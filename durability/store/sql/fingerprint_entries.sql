-- Fingerprint of every entry: of all rows that came with it, whatever their order in the file.
-- An empty column counts as no column (the merge drops it), so that a later schema step that
-- adds one changes no fingerprint.
CREATE OR REPLACE TEMP TABLE entry_fingerprint AS
WITH recorded AS (
    SELECT entry_id, 'amendment' AS record_table, to_json(t) AS content FROM amendment AS t
    UNION ALL
    SELECT entry_id, 'calibration', to_json(t) FROM calibration AS t
    UNION ALL
    SELECT entry_id, 'calibration_void', to_json(t) FROM calibration_void AS t
    UNION ALL
    SELECT entry_id, 'check_list', to_json(t) FROM check_list AS t
    UNION ALL
    SELECT entry_id, 'dose_declaration', to_json(t) FROM dose_declaration AS t
    UNION ALL
    SELECT entry_id, 'drop_in_quarantine', to_json(t) FROM drop_in_quarantine AS t
    UNION ALL
    SELECT entry_id, 'inspection_form', to_json(t) FROM inspection_form AS t
    UNION ALL
    SELECT entry_id, 'plan_check_list', to_json(t) FROM plan_check_list AS t
    UNION ALL
    SELECT entry_id, 'report_issue', to_json(t) FROM report_issue AS t
    UNION ALL
    SELECT entry_id, 'retest', to_json(t) FROM retest AS t
    UNION ALL
    SELECT entry_id, 'damage_note', to_json(t) FROM damage_note AS t
    UNION ALL
    SELECT entry_id, 'damage_photo', to_json(t) FROM damage_photo AS t
    UNION ALL
    SELECT entry_id, 'drops', to_json(t) FROM drops AS t
    UNION ALL
    SELECT entry_id, 'entry', to_json(t) FROM entry AS t
    UNION ALL
    SELECT entry_id, 'file_set_aside', to_json(t) FROM file_set_aside AS t
    UNION ALL
    SELECT entry_id, 'follow_up_assignment', to_json(t) FROM follow_up_assignment AS t
    UNION ALL
    SELECT entry_id, 'follow_up_plan', to_json(t) FROM follow_up_plan AS t
    UNION ALL
    SELECT entry_id, 'functional_check', to_json(t) FROM functional_check AS t
    UNION ALL
    SELECT entry_id, 'inspection', to_json(t) FROM inspection AS t
    UNION ALL
    SELECT entry_id, 'inspection_finish', to_json(t) FROM inspection_finish AS t
    UNION ALL
    SELECT entry_id, 'inspection_walk', to_json(t) FROM inspection_walk AS t
    UNION ALL
    SELECT entry_id, 'pulse_measures', to_json(t) FROM pulse_measures AS t
    UNION ALL
    SELECT entry_id, 'quarantine', to_json(t) FROM quarantine AS t
    UNION ALL
    SELECT entry_id, 'quarantine_clearance', to_json(t) FROM quarantine_clearance AS t
    UNION ALL
    SELECT entry_id, 'seal', to_json(t) FROM seal AS t
    UNION ALL
    SELECT entry_id, 'sensor', to_json(t) FROM sensor AS t
    UNION ALL
    SELECT entry_id, 'series', to_json(t) FROM series AS t
    UNION ALL
    SELECT entry_id, 'specimen', to_json(t) FROM specimen AS t
    UNION ALL
    SELECT entry_id, 'pulse_flag', to_json(t) FROM (
        SELECT f.*, m.entry_id
        FROM pulse_flag AS f
        JOIN pulse_measures AS m USING (pulse_measures_id)) AS t
    UNION ALL
    SELECT entry_id, 'cross_record', to_json(t) FROM (
        SELECT c.* REPLACE (sha256(c.samples) AS samples), w.entry_id
        FROM cross_record AS c
        JOIN waveform AS w USING (waveform_id)) AS t
    UNION ALL
    SELECT entry_id, 'waveform', to_json(t)
    FROM (SELECT * REPLACE (sha256(samples) AS samples) FROM waveform) AS t
),
fingerprint AS (
    SELECT entry_id, sha256(record_table || json_merge_patch('{}', content)::VARCHAR) AS digest
    FROM recorded
)
SELECT entry_id, sha256(string_agg(digest, '' ORDER BY digest)) AS digest, count(*) AS recorded_rows
FROM fingerprint
GROUP BY entry_id
