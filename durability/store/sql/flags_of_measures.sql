SELECT name, value, threshold, words, voids
FROM pulse_flag
WHERE pulse_measures_id = $pulse_measures_id
ORDER BY flag_order
