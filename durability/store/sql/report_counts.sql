-- What lies in a scope: drops of these series, cases and devices in them, and when.
SELECT
    count(*) AS drops,
    count(*) FILTER (status = 'valid') AS valid_drops,
    count(*) FILTER (status = 'void') AS voided_drops,
    count(*) FILTER (peak_g IS NULL) AS drops_without_reading,
    count(*) FILTER (amended) AS amended_drops,
    count(peak_g) AS peaks,
    count(pulse_duration_ms) AS pulse_durations,
    count(velocity_change_m_s) AS velocity_changes,
    count(DISTINCT series) AS series,
    count(DISTINCT "case") AS cases,
    count(DISTINCT case_model) AS case_models,
    count(DISTINCT device) FILTER (device_kind = 'device') AS devices,
    count(DISTINCT device) FILTER (device_kind = 'dummy') AS dummies,
    min(dropped_at) AS first_dropped_at, max(dropped_at) AS last_dropped_at,
    list_sort(list(DISTINCT operator) FILTER (operator IS NOT NULL)) AS operators,
    (SELECT count(*) FROM latest_measures AS m WHERE list_contains($series, m.series)) AS waveforms,
    (SELECT count(*) FROM latest_measures AS m
        WHERE list_contains($series, m.series) AND len(m.cross_channel) > 0)
        AS waveforms_with_cross_axis,
    (SELECT list_sort(list(DISTINCT m.low_pass_method)) FROM latest_measures AS m
        WHERE list_contains($series, m.series)) AS filters,
    min(temperature_c) AS lowest_temperature_c, max(temperature_c) AS highest_temperature_c,
    (SELECT count(DISTINCT inspection_id) FROM all_checks WHERE list_contains($devices, device))
        AS inspections,
    (SELECT count(*) FROM all_checks WHERE list_contains($devices, device)) AS checks
FROM all_drops
WHERE list_contains($series, series)
