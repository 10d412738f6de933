INSERT INTO retest (specimen_id, retest_on, entry_id) VALUES ($specimen_id, $retest_on::DATE, $entry_id)
