INSERT INTO pulse_flag (pulse_measures_id, flag_order, name, value, threshold, words, voids)
VALUES ($pulse_measures_id, $flag_order, $name, $value, $threshold, $words, $voids)
